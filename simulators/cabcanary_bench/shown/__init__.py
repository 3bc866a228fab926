"""What this program looks like, for README.md: made by the program itself from a simulated drive."""
