"""Break the figures of a run down: by what a crop shows, where, how large, how sharp, under which licence.

Everything on photographs is out of fold: probabilities of a crop come from the net that has not seen its
photographer, at the temperature that the other folds' crops gave.
"""

from __future__ import annotations

import collections
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.findings.judge import judge
from pestvision.organisms.calibrate import calibration_error, group_probabilities, softmax
from pestvision.organisms.classes import CANT_TELL, GROUPS, Group
from pestvision.organisms.crops import sharpness
from training.data import STRESS_KINDS
from training.figures import (
    cross_fitted,
    found_at_false_rate,
    leech_at,
    share_row,
    shares_by,
    source_weights,
    split_coverage,
    steps_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import F64, Bool
    from pestvision.organisms.classify import Classifier
    from pestvision.organisms.weights import Rules
    from training.data import Example

LENGTHS_PX = (32.0, 64.0, 128.0, 256.0, 512.0)
"""Steps of an animal's length in its photo."""
LEECH = GROUPS.index(Group.LEECH_LIKE)
LEAST_OF_A_KIND = 3
"""Kinds of fewer crops are counted together: a share of one or two says nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Scored:
    """Real crops with their probabilities of groups out of fold, (n, 4)."""

    examples: Sequence[Example]
    p: F64

    @property
    def groups(self) -> F64:
        """Indices of the true groups, (n,)."""
        return np.array([item.group for item in self.examples])

    @property
    def sources(self) -> list[str]:
        """The photographers."""
        return [item.source for item in self.examples]

    @property
    def right(self) -> Bool:
        """Whether the likeliest group is the true one, (n,)."""
        return np.asarray(self.p.argmax(1) == self.groups)

    @property
    def weights(self) -> F64:
        """Weights by which sources weigh the same within a group, (n,)."""
        return source_weights(self.sources, self.groups)


def score(saved: Mapping[str, Any], real: Sequence[Example]) -> Scored:
    """Join a run's saved scores with its crops; the stress set is left out.

    Raises
    ------
    SystemExit
        If the run was made on other photographs than these.
    """
    if saved["files"].tolist() != [item.file for item in real]:
        message = "scores.npz holds other crops than these photographs: run training.train again"
        raise SystemExit(message)
    usual = ~np.isin(saved["kinds"], STRESS_KINDS)
    examples = [item for item, is_usual in zip(real, usual, strict=True) if is_usual]
    groups = np.array([item.group for item in examples])
    weights = source_weights([item.source for item in examples], groups)
    logits = saved["real"][usual].astype(np.float64)
    return Scored(examples, cross_fitted(logits, groups, weights, saved["folds"][usual])[0])


def breakdown(scored: Scored) -> dict[str, dict[str, Any]]:
    """Give the tables of shares right: what is named by each key is in `TABLES`."""
    examples, right, sources = scored.examples, scored.right, scored.sources
    lengths = np.array([item.length_px for item in examples])
    sharp = np.array([sharpness(item.crop) for item in examples])
    by_length, length_order = steps_of(lengths, LENGTHS_PX, " px")
    thirds = [float(f"{bound:.3g}") for bound in np.quantile(sharp, [1 / 3, 2 / 3])]
    by_sharpness, sharp_order = steps_of(sharp, thirds, "")
    names = [str(GROUPS[item.group]) for item in examples]
    keys: dict[str, tuple[list[str], Sequence[str]]] = {
        "what": ([f"{g}: {what}" for g, what in zip(names, kinds_of(examples), strict=True)], ()),
        "setting": ([item.setting for item in examples], ()),
        "leech_setting": (
            [item.setting if item.group == LEECH else "" for item in examples],
            sorted({item.setting for item in examples if item.group == LEECH}),
        ),
        "length": (by_length, length_order),
        "sharpness": (by_sharpness, sharp_order),
        "licence": ([item.licence for item in examples], ()),
    }
    return {name: shares_by(of, right, sources, order=order) for name, (of, order) in keys.items()}


TABLES = {
    "what": "what it is",
    "setting": "setting",
    "leech_setting": "leeches by setting",
    "length": "length in the photo",
    "sharpness": "sharpness (thirds)",
    "licence": "licence of the photo",
}
"""What a table of `breakdown` is called."""


def kinds_of(examples: Sequence[Example]) -> list[str]:
    """Name what each crop shows: a leech or flatworm by its kind, others by label, rare ones together."""
    told = [
        item.kind if GROUPS[item.group] in (Group.LEECH_LIKE, Group.FLATWORM_LIKE) else item.label
        for item in examples
    ]
    counts = collections.Counter(
        (item.group, what) for item, what in zip(examples, told, strict=True)
    )
    return [
        what.replace("_", " ") if counts[item.group, what] >= LEAST_OF_A_KIND else "others"
        for item, what in zip(examples, told, strict=True)
    ]


def leech_figures(
    scored: Scored, saved: Mapping[str, Any], *, look_again: float, temperature: float
) -> dict[str, Any]:
    """Give what is found of the leeches, at 5 % false and at the shipped look-again threshold.

    False are harmless and not-an-organism; flatworms stand apart.
    """
    p, groups, weights = scored.p, scored.groups, scored.weights
    kept = groups != GROUPS.index(Group.FLATWORM_LIKE)
    found, threshold = found_at_false_rate(p[kept, LEECH], groups[kept] == LEECH, weights[kept])
    ground = group_probabilities(softmax(saved["ground"].astype(np.float64) / temperature))
    over = int((ground[:, LEECH] >= look_again).sum())
    return {
        "at_5_percent_false": {"threshold": round(threshold, 4), "found": round(found, 4)},
        "at_look_again": leech_at(p, groups, weights, threshold=look_again),
        "ground_squares_over_look_again": [over, len(ground)],
    }


def told_figures(
    scored: Scored,
    classifiers: Sequence[Classifier],
    folds: Mapping[str, int],
    *,
    rules: Rules,
) -> dict[str, Any]:
    """Give what the tool says of the crops out of fold, *can't tell* and all its reasons in use.

    Each crop is judged as a marked box is: its net's scores, its length, the card's rules.
    `answered` and `wrong_of_answered` have sources weigh the same within a group, and groups the same.
    """
    labels = []
    for item in scored.examples:
        classifier = classifiers[folds[item.source]]
        scores = classifier.classify([item.crop])
        said = judge(scores, rules=rules, lengths_px=[item.length_px])
        labels.append(said.label)
    told, weights = np.array(labels), scored.weights
    true = np.array([str(GROUPS[group]) for group in scored.groups])
    answered = told != CANT_TELL
    wrong = answered & (told != true)
    is_pest = scored.groups == LEECH
    return {
        "answered": round(float(weights[answered].sum() / weights.sum()), 4),
        "wrong_of_answered": round(
            float(weights[wrong].sum() / max(weights[answered].sum(), 1e-12)), 4
        ),
        "n_answered": share_row(answered, scored.sources),
        "n_wrong": share_row(
            wrong[answered], [s for s, a in zip(scored.sources, answered, strict=True) if a]
        ),
        "leeches_called_something_else": [int((wrong & is_pest).sum()), int(is_pest.sum())],
    }


def drawn_figures(
    p_fine: F64, groups: F64, fines: Sequence[str], *, alpha: float, set_threshold: float
) -> dict[str, Any]:
    """Give the figures on held-out drawings: right by class, calibration, and the coverage of sets.

    Parameters
    ----------
    p_fine
        (n, 14) calibrated probabilities by the shipped net, which has learned from none of them.
    groups, fines
        The truth, by group (n,) and by name of the fine class.
    set_threshold
        The shipped one; how often sets made with it hold the truth is `covered_by_the_card`.
    """
    p = group_probabilities(p_fine)
    right = p.argmax(1) == groups
    truth = p[np.arange(len(p)), groups.astype(int)]
    names = [str(GROUPS[int(group)]) for group in groups]
    drawings = ["drawn"] * len(right)  # one hand drew them all
    return {
        "all": share_row(right, drawings),
        "group": shares_by(names, right, drawings, order=[str(g) for g in GROUPS]),
        "class": shares_by(list(fines), right, drawings),
        "calibration_error": round(calibration_error(p.max(1), right), 4),
        "coverage": split_coverage(p, groups, alpha=alpha),
        "covered_by_the_card": share_row(1 - truth <= set_threshold, drawings),
    }


def stress_rows(
    saved: Mapping[str, Any], real: Sequence[Example], temperature: float
) -> dict[str, Any]:
    """Give the marine and land flatworms, kind by kind: no aquarium flatworm looks like them."""
    stress = np.isin(saved["kinds"], STRESS_KINDS)
    items = [item for item, is_stress in zip(real, stress, strict=True) if is_stress]
    p = group_probabilities(softmax(saved["real"][stress].astype(np.float64) / temperature))
    right = np.asarray(p.argmax(1) == np.array([item.group for item in items]))
    return shares_by([item.kind for item in items], right, [item.source for item in items])
