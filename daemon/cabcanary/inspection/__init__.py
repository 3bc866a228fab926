"""`cabcanary inspect`: the walk-through after an install, and the causes of what fails in it."""
