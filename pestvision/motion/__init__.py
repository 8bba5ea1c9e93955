"""What moved between two photos of the same glass."""
