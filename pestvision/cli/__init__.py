"""The commands: what is typed, what is printed, and the exit status.

Nothing heavy loads here: torch, gradio, OpenCV and numpy load inside the command that needs them, so
that help and mistakes in typing are answered at once.
"""

from pestvision.cli.app import app, main

__all__ = ["app", "main"]
