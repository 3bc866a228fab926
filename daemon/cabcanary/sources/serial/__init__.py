"""Serial ports and what comes over them."""
