"""The working areas of the page."""
