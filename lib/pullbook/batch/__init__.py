"""Many experiments at once."""
