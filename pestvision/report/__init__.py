"""Reports a person can keep: one HTML file, a CSV and JSON Lines."""
