"""The first settings of a vehicle: questions in a person's words, and from the answers settings and rules."""
