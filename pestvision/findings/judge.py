"""From the net's scores to a judgement: label, confidence, reasons, or *can't tell* and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from pestvision.findings.finding import Judgement
from pestvision.findings.words import BETTER_PHOTO
from pestvision.organisms.classes import (
    CANT_TELL,
    FINE_CLASSES,
    FINE_NAMES,
    GROUP_INDEX_OF_FINE,
    GROUP_NAMES,
    GROUPS,
    Group,
)
from pestvision.organisms.weights import Rules

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.organisms.classify import Scores

LEECH = GROUPS.index(Group.LEECH_LIKE)
DEFAULT_RULES = Rules()
WHAT_SPEAKS_FOR = {
    Group.LEECH_LIKE: "Its outline and surface are nearest to the leeches the net has learned from.",
    Group.FLATWORM_LIKE: "Its outline and surface are nearest to the flatworms the net has learned from.",
    Group.HARMLESS: "It looks most like {fine}.",
    Group.NOT_AN_ORGANISM: "It looks most like {fine}, not like an animal.",
}


def judge(
    scores: Sequence[Scores],
    *,
    rules: Rules = DEFAULT_RULES,
    lengths_px: Sequence[float] | None = None,
) -> Judgement:
    """Judge one animal from the scores of all its crops.

    Parameters
    ----------
    scores
        One or more, of the same animal.
    rules
        Thresholds of the model card.
    lengths_px
        Long side of the animal's box on each crop's photo, in pixels, where known.

    Returns
    -------
    Judgement
        *Can't tell* when the prediction set holds more than one group or none, when every crop is too
        small or too blurred to judge, or when leech-like is not the answer and cannot be ruled out.

    Notes
    -----
    Crops are joined by the mean of their log-probabilities: they are far from independent, so a
    longer track must not become a surer one merely by its length.
    """
    if not scores:
        name = "scores"
        raise ShapeError(name, expected="at least one Scores", actual="none")
    p_fine = _joined(np.stack([item.p_fine for item in scores]).astype(np.float64))
    p_groups = np.zeros(len(GROUPS))
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    p_groups /= p_groups.sum()
    top = int(p_groups.argmax())
    group = GROUPS[top]
    fine = max(
        (index for index, of in enumerate(GROUP_INDEX_OF_FINE) if of == top),
        key=lambda index: float(p_fine[index]),
    )
    doubts = _doubts(p_groups, scores, lengths_px, rules)
    speaks = WHAT_SPEAKS_FOR[group].format(fine=_with_article(FINE_CLASSES[fine].shown))
    return Judgement(
        label=CANT_TELL if doubts else str(group),
        confidence=float(p_groups[top]),
        p_groups=tuple(float(p) for p in p_groups),
        fine=FINE_NAMES[fine],
        reasons=(*doubts, BETTER_PHOTO) if doubts else (speaks, _runner_up(p_groups)),
    )


def worry(judgement: Judgement) -> tuple[int, float]:
    """Give a sort key: the most worrying judgement has the largest.

    Leech-like comes before a *can't tell* that may be one, then flatworm-like, other *can't tell*,
    harmless and not an organism; within each by the probability of leech-like, then of flatworm-like.
    """
    may_be_leech = judgement.label == CANT_TELL and judgement.p_groups[LEECH] >= 0.25
    order = ["not-an-organism", "harmless", CANT_TELL, "flatworm-like", "may be", "leech-like"]
    return (
        order.index("may be" if may_be_leech else judgement.label),
        judgement.p_groups[LEECH] + 0.1 * judgement.p_groups[1],
    )


def _joined(p: F64) -> F64:
    """Join (n, 14) probabilities to (14,): the normalised geometric mean."""
    log_p = np.log(np.clip(p, 1e-9, None)).mean(axis=0)
    joined = np.exp(log_p - log_p.max())
    return np.asarray(joined / joined.sum(), dtype=np.float64)


def _doubts(
    p_groups: F64, scores: Sequence[Scores], lengths_px: Sequence[float] | None, rules: Rules
) -> list[str]:
    doubts = []
    if lengths_px and max(lengths_px) < rules.min_length_px:
        doubts.append(
            f"It is only {max(lengths_px):.0f} pixels long, and below {rules.min_length_px:.0f} "
            "pixels nothing can be told apart."
        )
    if max(item.sharpness for item in scores) < rules.min_sharpness:
        doubts.append("It is too blurred to tell.")
    members = [index for index in range(len(GROUPS)) if 1 - p_groups[index] <= rules.set_threshold]
    if len(members) > 1:
        named = " or ".join(
            f"{GROUP_NAMES[GROUPS[i]]} ({p_groups[i]:.0%})"
            for i in sorted(members, key=lambda i: -p_groups[i])
        )
        doubts.append(f"It may be {named}: the picture does not settle it.")
    elif not members:
        doubts.append("No group fits it well enough to name one.")
    elif members != [LEECH] and p_groups[LEECH] >= rules.leech_look_again:
        doubts.append(
            f"Leech-like cannot be ruled out ({p_groups[LEECH]:.0%}), and missing one costs more "
            "than another look."
        )
    return doubts


def _runner_up(p_groups: F64) -> str:
    second = int(np.argsort(p_groups)[-2])
    name = GROUP_NAMES[GROUPS[second]]
    return f"Next likeliest: {name}, {p_groups[second]:.0%}."


def _with_article(shown: str) -> str:
    if shown.endswith(("eggs", "debris", "glare")) or shown.startswith("shrimp"):
        return shown
    return f"{'an' if shown[0] in 'aeiou' else 'a'} {shown}"
