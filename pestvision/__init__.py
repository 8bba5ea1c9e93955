"""Tell leech-like, flatworm-like and harmless organisms apart in photos of snail tanks."""

__version__ = "0.1.0"
