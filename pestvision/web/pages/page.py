"""The toolkit's page, which closes the album when it is closed itself.

Loaded only when the page is built, so Gradio may be imported at the top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import gradio as gr

if TYPE_CHECKING:
    from pestvision.web.album import SharedAlbum


class Page(gr.Blocks):  # type: ignore[misc]
    """A page with an album.

    Parameters
    ----------
    album
        Closed together with the page.
    options
        Those of the toolkit's page.
    """

    def __init__(self, album: SharedAlbum, **options: Any) -> None:
        super().__init__(**options)
        self._album = album

    def close(self, verbose: bool = True) -> None:
        """Stop the server, then close the album."""
        super().close(verbose=verbose)
        self._album.close()
