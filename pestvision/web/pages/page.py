"""The toolkit's page, which closes album and log when it is closed itself.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

import gradio as gr

if TYPE_CHECKING:
    from collections.abc import Sequence


class Closable(Protocol):
    """Something that is closed with the page."""

    def close(self) -> None:
        """Close it."""


class Page(gr.Blocks):  # type: ignore[misc]
    """A page with things of its own.

    Parameters
    ----------
    own
        Closed together with the page.
    options
        Those of the toolkit's page.
    """

    def __init__(self, own: Sequence[Closable], **options: Any) -> None:
        super().__init__(**options)
        self._own = own

    def close(self, verbose: bool = True) -> None:
        """Stop the server, then close what is the page's own."""
        super().close(verbose=verbose)
        for each in self._own:
            each.close()
