"""From the net's scores to a judgement: label, confidence, reasons, or *can't tell* and why."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from pestvision.findings.cues import LOOKS, Cue
from pestvision.findings.doubts import WHAT_HELPS, Doubt
from pestvision.findings.evidence import joined
from pestvision.findings.finding import Judgement, Why
from pestvision.findings.travel import UNKNOWN
from pestvision.organisms.calibrate import look_again_from
from pestvision.organisms.classes import (
    CANT_TELL,
    FINE_CLASSES,
    FINE_NAMES,
    GROUP_INDEX_OF_FINE,
    GROUP_NAMES,
    GROUPS,
    SIGNS,
    Group,
    look_alike_of,
)
from pestvision.organisms.weights import Rules

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.findings.travel import Travel
    from pestvision.organisms.classify import Scores
    from pestvision.organisms.personal import PersonalHead
    from pestvision.settings import CheckSettings

LEECH = GROUPS.index(Group.LEECH_LIKE)
WARNINGS = (Group.LEECH_LIKE, Group.FLATWORM_LIKE)
"""Groups that a keeper is told of even where the crop is unlike what the net has learned from: three of
ten flatworm photographs that were told right, out of fold by photographer, would be lost otherwise."""
STRANGE = (
    "Yet it is unlike what the net has learned from: take the answer as less sure than it says."
)
DEFAULT_RULES = Rules()

SWIMMING = FINE_NAMES.index("shrimp-or-fish")
SWIMS_ODDS = 4.0
"""By so much a step beyond what any leech does speaks for a shrimp or fish. It may be two animals taken
for one: of 96 steps of more than five lengths on drawn series 78 were one animal's, four to one."""
MOST_SWIMS = 2  # steps that count: where two animals are taken for one once, they are so again
SWIMMER = (
    "It may be a swimmer: if the photos show one animal, it went {pace:.1f} times its length or more in one "
    "second, faster than {who}."
)
CREEPS = "a leech or flatworm creeps"
SWIMS = "a leech swims, as far as is known"
LOOPING_FLATWORM = (
    "A flatworm that was hurt, heated or treated may loop as well: then go by the suckers."
)
"""Source: Sabry et al. 2019, PLoS ONE 14(12):e0226104, on what sets off scrunching."""
WHAT_SPEAKS_FOR = {
    Group.LEECH_LIKE: "It looks most like the leeches that the net has learned from.",
    Group.FLATWORM_LIKE: "It looks most like the flatworms that the net has learned from.",
    Group.HARMLESS: "It looks most like {fine}.",
    Group.NOT_AN_ORGANISM: "It looks most like {fine}, not like an animal.",
}


def rules_of(card: Rules, settings: CheckSettings) -> Rules:
    """Give the card's rules with the person's own costs: from when on to look again for a leech."""
    return replace(card, leech_look_again=look_again_from(settings.missed_leech_costs))


def costs_note(rules: Rules) -> str:
    """Say from when on leech-like is never ruled out, and why."""
    return (
        f"A missed leech counts as {looks_of(rules):.3g} looks at nothing, so leech-like is never ruled "
        f"out from {100 * rules.leech_look_again:.2g} % on (setting missed_leech_costs)."
    )


def head_notes(head: PersonalHead | None) -> tuple[str, ...]:
    """Say where the keeper's own labels had a part in the answers; nothing where they had none."""
    if head is None:
        return ()
    return (
        f"Judged with your own labels: version {head.version} of what the net learned from them.",
    )


def looks_of(rules: Rules) -> float:
    """Give how many looks at nothing a missed leech counts as: `look_again_from` turned round."""
    return (1 - rules.leech_look_again) / rules.leech_look_again


def judge(
    scores: Sequence[Scores],
    *,
    rules: Rules = DEFAULT_RULES,
    lengths_px: Sequence[float] | None = None,
    weights: Sequence[float] | None = None,
    travel: Travel = UNKNOWN,
    cues: Sequence[Cue] = (),
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
    weights
        How much each crop counts, above 0. Left out: all alike.
    travel
        How fast the animal went between photos.
    cues
        What its gait, its size and its track say (`evidence`). Without any the crops alone count.

    Returns
    -------
    Judgement
        *Can't tell* when the prediction set holds more than one group or none, when every crop is too
        small or too blurred, when leech-like is not the answer and cannot be ruled out, or when every
        crop lies outside what the net knows. This last takes back a reassurance, never a warning: what
        would be leech-like or flatworm-like stays so, with a word that it is a strange one.

    Notes
    -----
    Crops are joined by the weighted mean of their log-probabilities: the log-odds of all crops together
    count as those of one, however many there are. They are far from independent (the log-odds of the
    right group correlated by 0.67 within 145 drawn animals), and counting them as more was always worse:
    the mean loss was 0.67 as one, 0.70 with a correlation of 0.9 taken for granted, 0.85 with 0.6.

    A step beyond what any leech does adds to the odds of a shrimp or fish, at most twice. By itself it
    makes nothing harmless: leech-like is ruled out by the rules for all looks, and a step that is told
    may be two animals taken for one.
    """
    if not scores:
        name = "scores"
        raise ShapeError(name, expected="at least one Scores", actual="none")
    p_fine = _joined(np.stack([item.p_fine for item in scores]).astype(np.float64), weights)
    p_fine[SWIMMING] *= SWIMS_ODDS ** min(travel.n_beyond_swim, MOST_SWIMS)
    p_fine /= p_fine.sum()
    cues = (_looks_cue(p_fine), *cues) if cues else ()
    p_fine = joined(p_fine, cues[1:])
    p_groups = _of_groups(p_fine)
    top = int(p_groups.argmax())
    group = GROUPS[top]
    fine = max(
        (index for index, of in enumerate(GROUP_INDEX_OF_FINE) if of == top),
        key=lambda index: float(p_fine[index]),
    )
    doubts = _doubts(p_groups, scores, lengths_px, rules)
    is_strange = list(doubts) == [Doubt.OUTSIDE] and group in WARNINGS
    if is_strange:
        doubts = {}
    why = _why(FINE_NAMES[fine], p_fine, tuple(doubts))
    return Judgement(
        label=CANT_TELL if doubts else str(group),
        confidence=float(p_groups[top]),
        p_groups=tuple(float(p) for p in p_groups),
        fine=FINE_NAMES[fine],
        reasons=(*doubts.values(), *(WHAT_HELPS[doubt] for doubt in doubts))
        if doubts
        else (
            WHAT_SPEAKS_FOR[group].format(fine=_named(why.seen_as)),
            *([STRANGE] if is_strange else []),
            *_swims(FINE_NAMES[fine], travel),
            _runner_up(p_groups, why),
        ),
        why=why,
        cues=tuple(cues),
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


def _of_groups(p_fine: F64) -> F64:
    p_groups = np.zeros(len(GROUPS))
    np.add.at(p_groups, np.array(GROUP_INDEX_OF_FINE), p_fine)
    return np.asarray(p_groups / p_groups.sum(), np.float64)


def _looks_cue(p_fine: F64) -> Cue:
    """Give what the crops alone say, to be shown beside the other cues."""
    p_groups = _of_groups(p_fine)
    top = int(p_groups.argmax())
    logs = np.log(np.clip(p_fine, 1e-9, None))
    words = f"{GROUP_NAMES[GROUPS[top]]} {p_groups[top]:.2f}"
    return Cue(LOOKS, words, tuple(float(value) for value in logs - logs.max()))


def _joined(p: F64, weights: Sequence[float] | None) -> F64:
    """Join (n, 14) probabilities to (14,): the normalised geometric mean, weighted."""
    log_p = np.average(np.log(np.clip(p, 1e-9, None)), axis=0, weights=weights)
    joined = np.exp(log_p - log_p.max())
    return np.asarray(joined / joined.sum(), dtype=np.float64)


def _swims(fine: str, travel: Travel) -> list[str]:
    """Say of a shrimp or fish that it swims, where it went farther than a creeping animal."""
    if fine != FINE_NAMES[SWIMMING] or not travel.n_beyond_creep:
        return []
    who = SWIMS if travel.n_beyond_swim else CREEPS
    return [SWIMMER.format(pace=travel.pace, who=who)]


def _doubts(
    p_groups: F64, scores: Sequence[Scores], lengths_px: Sequence[float] | None, rules: Rules
) -> dict[Doubt, str]:
    """Say everything that keeps an animal from being told, one sentence a doubt."""
    doubts: dict[Doubt, str] = {}
    if lengths_px and max(lengths_px) < rules.min_length_px:
        doubts[Doubt.TOO_SMALL] = (
            f"It is only {max(lengths_px):.0f} pixels long, and below {rules.min_length_px:.0f} "
            "pixels nothing can be told apart."
        )
    if max(item.sharpness for item in scores) < rules.min_sharpness:
        doubts[Doubt.BLURRED] = "It is too blurred to tell."
    if min(item.novelty for item in scores) > 1.0:
        doubts[Doubt.OUTSIDE] = (
            "It lies outside what the net knows: it is unlike everything it has learned from, and a "
            "guess would mean little."
        )
    several = _several(p_groups, rules)
    if several:
        doubts[Doubt.SEVERAL] = several
    return doubts


def _several(p_groups: F64, rules: Rules) -> str:
    """Say which groups stay possible; nothing where one alone does."""
    members = [index for index in range(len(GROUPS)) if 1 - p_groups[index] <= rules.set_threshold]
    if len(members) > 1:
        named = " or ".join(
            f"{GROUP_NAMES[GROUPS[i]]} ({p_groups[i]:.0%})"
            for i in sorted(members, key=lambda i: -p_groups[i])
        )
        return f"It may be {named}: the picture does not settle it."
    if not members:
        return "No group fits it well enough to name one."
    if members != [LEECH] and p_groups[LEECH] >= rules.leech_look_again:
        return (
            f"Leech-like cannot be ruled out ({p_groups[LEECH]:.0%}): a missed leech counts as "
            f"{looks_of(rules):.3g} looks at nothing, so from {100 * rules.leech_look_again:.2g} % on it is "
            "worth another look."
        )
    return ""


def _why(fine: str, p_fine: F64, doubts: tuple[Doubt, ...]) -> Why:
    """Name the nearest look-alike, and the signs that tell the two apart."""
    other = look_alike_of(fine, p_fine.tolist())
    settled_by = [SIGNS[fine].words, SIGNS[other].words]
    if {fine, other} == {"leech", "flatworm"}:
        settled_by.append(LOOPING_FLATWORM)
    return Why(
        seen_as=fine,
        look_alike=other,
        p_look_alike=float(p_fine[FINE_NAMES.index(other)]),
        settled_by=tuple(settled_by),
        doubts=doubts,
    )


def _runner_up(p_groups: F64, why: Why) -> str:
    second = int(np.argsort(p_groups)[-2])
    name = GROUP_NAMES[GROUPS[second]]
    return (
        f"Next likeliest: {name}, {p_groups[second]:.0%}; "
        f"its nearest look-alike is {_named(why.look_alike)}."
    )


def _named(fine: str) -> str:
    """Give a class in words, with its article."""
    shown = FINE_CLASSES[FINE_NAMES.index(fine)].shown
    if shown.endswith(("eggs", "debris", "glare")) or shown.startswith("shrimp"):
        return shown
    return f"{'an' if shown[0] in 'aeiou' else 'a'} {shown}"
