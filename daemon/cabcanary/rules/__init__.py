"""Values -> alert states. Pure: time comes in with the frame, nothing here reads a clock or waits."""
