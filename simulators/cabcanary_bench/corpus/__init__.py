"""Many drives, the truth about each, and how the rules did on them."""
