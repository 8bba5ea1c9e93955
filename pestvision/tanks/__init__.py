"""The log of the tanks, and what it says: how many are left, how sure a tank is clear, what touched what."""
