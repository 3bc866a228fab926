"""What one drive says, in figures: worked out here and nowhere else, for the list, reports, stage reviews and pages."""
