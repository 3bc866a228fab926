"""Settings and rule files made into the parts that need no hardware, and every problem in them."""
