"""Values that the kernel shows as files: the IIO and hwmon trees."""
