"""Drawn organisms, tanks, photo pairs and bursts, with their exact truth."""
