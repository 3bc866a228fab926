"""Alert states -> what the cab hears and what is said."""
