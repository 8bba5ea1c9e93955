"""Rebuild the figures of `training/README.md` on the real photographs, out of fold.

    PESTVISION_PHOTOS=... python -m training.evaluate --runs runs

`training.train` leaves the nets of the folds and their scores in `runs/`, `training.proposal_score` the
rankings of the folds. Every photo is checked by the net and the ranking of the fold that have not seen
its photographer, with the shipped card's rules; backgrounds likewise.
The series are scanned by the shipped net: no photo of theirs was trained on.
"""

from __future__ import annotations

import argparse
import collections
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch

from pestvision.arrays import box_iou
from pestvision.findings.check import check_photo
from pestvision.findings.night import scan_night
from pestvision.organisms.calibrate import wilson_interval
from pestvision.organisms.classes import CANT_TELL, GROUPS
from pestvision.organisms.classify import Classifier
from pestvision.organisms.proposal_weights import load_proposal_weights
from pestvision.organisms.propose import propose
from pestvision.organisms.weights import find_models, load_card
from pestvision.photos.read import read_photo
from training.data import PHOTO_SETTINGS, box_of, photos_folder, rows_of
from training.ship import run_figures

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import BoxXyxy
    from pestvision.organisms.proposal_weights import ProposalWeights

SHARES = (0.05, 0.15, 0.4, 0.8)
"""Bounds of the box's long side over the photo's, for the recall of proposals."""
FOUND_IOU = 0.4


def fold_classifiers(runs: Path) -> list[Classifier]:
    """Load the nets of the folds, with the rules of the shipped card."""
    card = load_card(find_models())
    classifiers = []
    for path in sorted(runs.glob("fold*.pt")):
        state = torch.load(path, map_location="cpu", weights_only=True)  # noqa: TID251 - our own runs
        classifiers.append(Classifier({name: value.float() for name, value in state.items()}, card))
    return classifiers


def fold_rankings(runs: Path) -> list[ProposalWeights]:
    """Load how the folds rank proposals; the shipped ranking has seen every photo.

    Raises
    ------
    SystemExit
        If there are none.
    """
    paths = sorted(runs.glob("proposals-fold*.json"))
    if not paths:
        message = (
            f"{runs} holds no proposals-fold*.json: run python -m training.proposal_score first"
        )
        raise SystemExit(message)
    return [load_proposal_weights(path) for path in paths]


def check_real_photos(
    folder: Path,
    classifiers: Sequence[Classifier],
    folds: Mapping[str, int],
    *,
    rankings: Sequence[ProposalWeights] | None = None,
) -> dict[str, Any]:
    """Check every boxed photo out of fold: verdicts by true group, and the recall of proposals.

    `rankings` are those of the folds; None takes the shipped one.
    """
    boxes: dict[str, list[dict[str, str]]] = {}
    for row in rows_of(folder / "boxes.csv"):
        boxes.setdefault(row["file"], []).append(row)
    verdicts: dict[str, collections.Counter[str]] = {}
    found: collections.Counter[str] = collections.Counter()
    total: collections.Counter[str] = collections.Counter()
    for photo_row in rows_of(folder / "photos.csv"):
        photo = read_photo(folder / "photos" / photo_row["file"], settings=PHOTO_SETTINGS)
        fold = folds[photo_row["source"]]
        classifier, ranking = classifiers[fold], rankings[fold] if rankings else None
        own = boxes.get(photo_row["file"], [])
        groups = {row["group"] for row in own}
        if len(groups) == 1:
            label = check_photo(photo, classifier, ranking=ranking).verdict.label
            verdicts.setdefault(groups.pop(), collections.Counter())[label] += 1
        proposals = propose(photo.rgb, classifier.organism_map, weights=ranking)
        proposed = [item.box_xyxy_px for item in proposals]
        count_found(own, proposed, max(photo.height, photo.width), (found, total))
    return {
        "verdicts": {group: dict(counts) for group, counts in verdicts.items()},
        "proposals": {key: [found[key], total[key]] for key in sorted(total)},
    }


def count_found(
    rows: Sequence[Mapping[str, str]],
    proposed: Sequence[BoxXyxy],
    side_px: int,
    counts: tuple[collections.Counter[str], collections.Counter[str]],
) -> None:
    """Count the boxed organisms that a proposal meets, by their share of the photo's long side."""
    found, total = counts
    for row in rows:
        if row["group"] == "not-an-organism":
            continue
        box = box_of(dict(row))
        share = max(box[2] - box[0], box[3] - box[1]) / side_px
        rank = int(np.searchsorted(SHARES, share))
        low = 0.0 if rank == 0 else SHARES[rank - 1]
        high = 1.0 if rank == len(SHARES) else SHARES[rank]
        key = f"{low:.0%} to {high:.0%}"
        total[key] += 1
        found[key] += any(box_iou(box, other) >= FOUND_IOU for other in proposed)


def check_backgrounds(
    folder: Path,
    classifiers: Sequence[Classifier],
    folds: Mapping[str, int],
    *,
    rankings: Sequence[ProposalWeights] | None = None,
) -> dict[str, int]:
    """Check every background, where no leech and no flatworm is known to be."""
    verdicts: collections.Counter[str] = collections.Counter()
    for row in rows_of(folder / "backgrounds.csv"):
        photo = read_photo(folder / "backgrounds" / row["file"], settings=PHOTO_SETTINGS)
        fold = folds[row["source"]]
        ranking = rankings[fold] if rankings else None
        verdicts[check_photo(photo, classifiers[fold], ranking=ranking).verdict.label] += 1
    return dict(verdicts)


def scan_series(folder: Path, classifier: Classifier) -> dict[str, Any]:
    """Scan every real series: pairs aligned, tracks by label."""
    table = {}
    for path in sorted((folder / "sequences").iterdir()):
        views = scan_night(path, classifier).views
        pairs = [pair for view in views for pair in view.pairs]
        labels = collections.Counter(t.judgement.label for view in views for t in view.tracks)
        table[path.name] = {
            "views": len(views),
            "pairs": len(pairs),
            "aligned": sum(pair.aligned for pair in pairs),
            "moved": sum(len(pair.moved) for pair in pairs),
            "tracks": dict(labels),
        }
    return table


def markdown(figures: Mapping[str, Any]) -> str:
    """Give the figures as the Markdown tables of `training/README.md`."""
    lines = [
        "| true group | crops | sources | right | share | 95 % (Wilson) |",
        "|---|---|---|---|---|---|",
    ]
    for group, row in figures["crops"]["groups"].items():
        low, high = row["wilson_95"]
        lines.append(
            f"| {group} | {row['n']} | {row['n_sources']} | {row['right']} "
            f"| {_share(row['right'], row['n'])} | {low:.2f} to {high:.2f} |"
        )
    names = [*map(str, GROUPS), CANT_TELL]
    lines += [
        "",
        "| photo shows | n | " + " | ".join(names) + " | right | right or can't tell (95 %) |",
        "|---" * (len(names) + 4) + "|",
    ]
    for group, counts in figures["photos"]["verdicts"].items():
        n = sum(counts.values())
        right, told = counts.get(group, 0), counts.get(group, 0) + counts.get(CANT_TELL, 0)
        low, high = wilson_interval(told, n)
        row = " | ".join(str(counts.get(name, 0)) for name in names)
        lines.append(
            f"| {group} | {n} | {row} | {_share(right, n)} "
            f"| {_share(told, n)} ({low:.2f} to {high:.2f}) |"
        )
    counts = figures["backgrounds"]
    row = " | ".join(str(counts.get(name, 0)) for name in names)
    lines.append(f"| backgrounds | {sum(counts.values())} | {row} | | |")
    lines += ["", "| animal's share of the photo | boxed | met by a proposal |", "|---|---|---|"]
    by_share = sorted(
        figures["photos"]["proposals"].items(), key=lambda row: int(row[0].split("%")[0])
    )
    for key, (found, total) in by_share:
        low, high = wilson_interval(found, total)
        lines.append(f"| {key} | {total} | {_share(found, total)} ({low:.2f} to {high:.2f}) |")
    lines += ["", "| series | pairs | aligned | moved | tracks by label |", "|---|---|---|---|---|"]
    for name, row in figures["series"].items():
        tracks = ", ".join(f"{n} {label}" for label, n in sorted(row["tracks"].items())) or "none"
        lines.append(f"| {name} | {row['pairs']} | {row['aligned']} | {row['moved']} | {tracks} |")
    return "\n".join(lines) + "\n"


def _share(n_right: int, n: int) -> str:
    """Give a share with two decimals, or a dash where nothing was counted."""
    return f"{n_right / n:.2f}" if n else "–"


def main(argv: Sequence[str] | None = None) -> None:
    """Check every photo, scan every series, write `figures.json` and `figures.md` into the runs."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=Path, default=Path("runs"))
    args = parser.parse_args(argv)
    torch.set_num_threads(2)
    folder = photos_folder()
    folds = json.loads((args.runs / "folds.json").read_text(encoding="utf-8"))
    classifiers, rankings = fold_classifiers(args.runs), fold_rankings(args.runs)
    figures = {
        "crops": run_figures(args.runs),
        "photos": check_real_photos(folder, classifiers, folds, rankings=rankings),
        "backgrounds": check_backgrounds(folder, classifiers, folds, rankings=rankings),
        "series": scan_series(folder, Classifier.load()),
    }
    text = json.dumps(figures, indent=1) + "\n"
    (args.runs / "figures.json").write_text(text, encoding="utf-8")
    (args.runs / "figures.md").write_text(markdown(figures), encoding="utf-8")
    print(markdown(figures))


if __name__ == "__main__":
    main()
