"""Reading -> engineering value, its uncertainty and its quality. Time is passed in; nothing here waits."""
