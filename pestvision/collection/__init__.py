"""The album: a keeper's own labelled pictures, and what they teach the tool."""
