"""What the tests of the tanks on the page share: a form filled in, a drawn button pressed, a made close-up."""

from __future__ import annotations

import re
from typing import Any

from made_answers import found, judged

from pestvision.findings.finding import PhotoCheck
from pestvision.web.tank_note import EMPTY


def form(tank: str = "Amber", **typed: Any) -> dict[str, Any]:
    return {**EMPTY, "tank": tank, **typed}


def with_button(html: str, what: str) -> str:
    """Give what a drawn button tells the server beside what it does."""
    (found,) = re.findall(rf'data-do="{what}" data-number="\d+" data-label="([^"]*)"', html)
    return found


def made_photo(*labels: str) -> PhotoCheck:
    """A close-up with a finding of each label, the first of them the verdict."""
    findings = tuple(found(rank, judged(label)) for rank, label in enumerate(labels, start=1))
    return PhotoCheck("glass.jpg", 900, 600, None, judged(labels[0]), findings)
