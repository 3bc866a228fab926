"""`cabcanary report`: one drive as a page that can be sent to a tuner and printed; it needs nothing else to be read."""
