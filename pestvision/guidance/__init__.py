"""Short cards on handling, each with its sources, how sure they are, and its cautions."""
