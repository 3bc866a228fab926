"""What can go wrong and what ordinary events look like it, and what each does."""
