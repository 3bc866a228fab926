"""A vehicle after an install, parked, idling and driven once: for `cabcanary inspect --bench`."""
