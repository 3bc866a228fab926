"""The pages: in the cab, and of the drives; a process of its own beside the daemon, which never imports it."""
