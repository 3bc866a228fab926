"""Many drives, what is true about each, and how the rules did on them."""
