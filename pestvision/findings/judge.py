"""From the net's scores to a judgement: label, confidence, reasons, or *can't tell* and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.findings.finding import Judgement
    from pestvision.organisms.classify import Scores


def judge(scores: Sequence[Scores]) -> Judgement:
    """Judge one animal from the scores of all its crops (one or more)."""
    raise RuntimeError(scores)
