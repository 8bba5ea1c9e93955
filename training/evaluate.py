"""Rebuild every figure: `figures.json` and `figures.md` in the runs, and the measured parts of the cards.

    PESTVISION_PHOTOS=... python -m training.evaluate --runs runs

`training.train` leaves the nets of the folds and their scores in `runs/`, `training.proposal_score` the
rankings of the folds. Crops and photos are judged by the net and the ranking of the fold that have not
seen their photographer, with the shipped card's rules; backgrounds likewise. Held-out drawings and the
series are judged by the shipped net, which has learned from none of them. `--only` measures some parts
again and leaves the others as the last run found them.
"""

from __future__ import annotations

import argparse
import collections
import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch

from pestvision.arrays import box_iou
from pestvision.findings.check import check_photo
from pestvision.findings.night import scan_night
from pestvision.organisms.calibrate import group_probabilities, softmax
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier
from pestvision.organisms.known import read_known
from pestvision.organisms.proposal_weights import load_proposal_weights
from pestvision.organisms.propose import propose
from pestvision.organisms.weights import find_models, load_card
from pestvision.photos.read import read_photo
from training.breakdown import (
    breakdown,
    drawn_figures,
    leech_figures,
    score,
    stress_rows,
    told_figures,
)
from training.contact_sheet import write_sheet
from training.data import (
    PHOTO_SETTINGS,
    STRESS_KINDS,
    box_of,
    draw_once,
    load_boxed,
    load_nothing,
    photos_folder,
    rows_of,
)
from training.model_card import SHEET_NAME, lay_in
from training.ship import ALPHA, run_figures
from training.shortcuts import ground_figures, style_figures
from training.sizes import least_length_px, size_curve
from training.tables import all_tables
from training.train import HELD_OUT_SEED

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.organisms.proposal_weights import ProposalWeights
    from training.data import Example

WHAT = ("crops", "sizes", "drawn", "shortcuts", "photos", "backgrounds", "series")
"""The parts that can be measured apart from each other."""
GROUNDS_EACH = 2
"""Grounds an animal is laid on, and squares taken of a photograph: photographers weigh the same, so that
more of them move a share by a hundredth or two and take three times as long."""
SAME_LOGITS = 0.1
"""Median difference up to which two sets of logits are of the same net and drawings: half precision and
another processor move them by 0.01."""
SHARES = (0.05, 0.15, 0.4, 0.8)
"""Bounds of the box's long side over the photo's, for the recall of proposals."""
FOUND_IOU = 0.4


def fold_classifiers(runs: Path, models: Path | None = None) -> list[Classifier]:
    """Load the nets of the folds, with the rules of the card in `models`, else of the shipped one.

    What each fold's net knows goes with it, where `training.known` left it.
    """
    card = load_card(models or find_models())
    classifiers = []
    for path in sorted(runs.glob("fold*.pt")):
        state = torch.load(path, map_location="cpu", weights_only=True)  # noqa: TID251 - our own runs
        tensors = {name: value.float() for name, value in state.items()}
        known_path = runs / f"known-{path.stem}.safetensors"
        known = None
        if known_path.is_file():
            known = read_known(known_path.read_bytes(), name=known_path.name)
        classifiers.append(Classifier(tensors, card, known))
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


def crop_figures(run: Run) -> dict[str, Any]:
    """Give what the saved scores of real crops tell beside `run_figures`."""
    scored, card = score(run.saved, run.real), run.shipped.card
    return {
        "leech": leech_figures(
            scored, run.saved, look_again=card.rules.leech_look_again, temperature=card.temperature
        ),
        "by": breakdown(scored),
        "stress": stress_rows(run.saved, run.real, card.temperature),
    }


def sizes_of(run: Run, held_out: Sequence[Example]) -> dict[str, Any]:
    """Measure how small an animal may be, on photographs out of fold and on held-out drawings."""
    usual = [item for item in run.real if item.kind not in STRESS_KINDS]
    ask = out_of_fold(run.classifiers, run.folds)
    look_again = run.shipped.card.rules.leech_look_again
    curves = {
        "photographs": size_curve(
            usual,
            lambda crops, indices: ask(crops, [usual[index].source for index in indices]),
            look_again=look_again,
        ),
        "drawings": size_curve(
            held_out, lambda crops, _: groups_by(run.shipped, crops), look_again=look_again
        ),
    }
    least_px, is_measured = least_length_px(curves)
    return {"curves": curves, "min_length_px": least_px, "is_measured": is_measured}


def shortcuts_of(run: Run, held_out: Sequence[Example]) -> dict[str, Any]:
    """Measure whether the animal decides, or its ground, or the style of the picture."""
    ask = out_of_fold(run.classifiers, run.folds)
    grounds = load_nothing(photos_folder(), np.random.default_rng(0), each=GROUNDS_EACH)
    look_again = run.shipped.card.rules.leech_look_again
    return {
        "grounds": ground_figures(
            run.real, grounds, run.folds, ask, each=GROUNDS_EACH, look_again=look_again
        ),
        "styles": style_figures(run.real, held_out, ask),
    }


def out_of_fold(
    classifiers: Sequence[Classifier], folds: Mapping[str, int]
) -> Callable[[Sequence[U8], Sequence[str]], F64]:
    """Give what asks about crops by photographers of given names: each by the net that saw none of theirs.

    Crops by nobody in the folds, such as drawings, are shared out among the nets in turn.
    """

    def ask(crops: Sequence[U8], sources: Sequence[str]) -> F64:
        p = np.zeros((len(crops), len(GROUPS)))
        turn = range(len(crops))
        own = np.array(
            [
                folds.get(name, rank % len(classifiers))
                for rank, name in zip(turn, sources, strict=True)
            ]
        )
        for fold in np.unique(own).tolist():
            mine = np.flatnonzero(own == fold)
            p[mine] = groups_by(classifiers[fold], [crops[index] for index in mine.tolist()])
        return p

    return ask


def groups_by(classifier: Classifier, crops: Sequence[U8]) -> F64:
    """Give the (n, 4) probabilities of groups that a net gives to crops."""
    return np.array([item.p_groups for item in classifier.classify(crops)], dtype=np.float64)


def draw_held_out(
    saved: Mapping[str, Any], classifier: Classifier, *, workers: int, cache: Path
) -> tuple[list[Example], F64]:
    """Draw the held-out drawings of the run, and give their (n, 14) probabilities by the shipped net.

    Raises
    ------
    SystemExit
        If they are not those that the run scored, or the net is not: the drawer has changed since.
    """
    n_each = len(saved["held_out"]) // len(FINE_NAMES)
    held_out = draw_once(n_each, seed=HELD_OUT_SEED, workers=workers, cache=cache)
    logits = classifier.logits([item.crop for item in held_out]).astype(np.float64)
    if float(np.median(np.abs(logits - saved["held_out"]))) > SAME_LOGITS:
        message = (
            "the shipped net scores the held-out drawings otherwise than the run did: the drawer or the "
            "weights have changed since, so train again, or name the drawings of the run with --drawn"
        )
        raise SystemExit(message)
    return held_out, softmax(logits / classifier.card.temperature)


def markdown(figures: Mapping[str, Any]) -> str:
    """Give the figures as Markdown tables."""
    return all_tables(figures)


def main(argv: Sequence[str] | None = None) -> None:
    """Measure what is asked, write `figures.json` and `figures.md` into the runs, and fill the cards."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=Path, default=Path("runs"))
    parser.add_argument(
        "--models", type=Path, help="folder of the cards; the shipped one if not given"
    )
    parser.add_argument("--drawn", type=Path, help="where drawings are kept; the runs if not given")
    parser.add_argument("--only", nargs="+", choices=WHAT, default=list(WHAT))
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args(argv)
    torch.set_num_threads(2)
    models = args.models or find_models()
    path = args.runs / "figures.json"
    figures = json.loads(path.read_text(encoding="utf-8")) if len(args.only) < len(WHAT) else {}
    close_up = measure_crops(args, models)
    figures |= close_up
    lay_in(models, close_up)  # first: whole photos are judged by the least length just measured
    figures |= measure_photos(args, models)
    lay_in(models, figures)
    path.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")
    (args.runs / "figures.md").write_text(markdown(figures), encoding="utf-8")
    print(markdown(figures))


@dataclass(frozen=True, slots=True)
class Run:
    """What a run left, with its crops, and who judges them."""

    saved: Mapping[str, Any]
    real: Sequence[Example]
    folds: Mapping[str, int]
    classifiers: Sequence[Classifier]
    shipped: Classifier

    @classmethod
    def load(cls, runs: Path, models: Path, *, outlines: bool) -> Run:
        """Load a run and the photographs it was made on, with the animals' outlines if asked."""
        with np.load(runs / "scores.npz") as scores:
            saved = {name: scores[name] for name in scores.files}
        return cls(
            saved=saved,
            real=load_boxed(photos_folder(), outlines=outlines),
            folds=folds_of(runs),
            classifiers=fold_classifiers(runs, models),
            shipped=Classifier.load(models),
        )


def folds_of(runs: Path) -> dict[str, int]:
    """Give the fold of every photographer."""
    folds: dict[str, int] = json.loads((runs / "folds.json").read_text(encoding="utf-8"))
    return folds


def measure_crops(args: argparse.Namespace, models: Path) -> dict[str, Any]:
    """Measure the parts that look at crops: of photographs, at several sizes, and of drawings."""
    wanted = set(args.only) & {"crops", "sizes", "drawn", "shortcuts"}
    found: dict[str, Any] = {}
    if not wanted:
        return found
    run = Run.load(args.runs, models, outlines="shortcuts" in wanted)
    rules = run.shipped.card.rules
    if wanted - {"crops"}:
        held_out, p_fine = draw_held_out(
            run.saved, run.shipped, workers=args.workers, cache=args.drawn or args.runs
        )
    if "sizes" in wanted:
        found["sizes"] = sizes_of(run, held_out)
        rules = replace(rules, min_length_px=found["sizes"]["min_length_px"])
    if "crops" in wanted:
        told = told_figures(score(run.saved, run.real), run.classifiers, run.folds, rules=rules)
        found["crops"] = run_figures(args.runs) | crop_figures(run) | {"told": told}
    if "drawn" in wanted:
        found["drawn"] = drawn_figures(
            p_fine,
            np.array([item.group for item in held_out]),
            [item.label for item in held_out],
            alpha=ALPHA,
            set_threshold=rules.set_threshold,
        )
        write_sheet(models / SHEET_NAME, held_out, group_probabilities(p_fine))
    if "shortcuts" in wanted:
        found["shortcuts"] = shortcuts_of(run, held_out)
    return found


def measure_photos(args: argparse.Namespace, models: Path) -> dict[str, Any]:
    """Measure the parts that look at whole photos and at series."""
    wanted, found = set(args.only), {}
    folder = photos_folder()
    if wanted & {"photos", "backgrounds"}:
        judges = fold_classifiers(args.runs, models), folds_of(args.runs)
        rankings = fold_rankings(args.runs)
        if "photos" in wanted:
            found["photos"] = check_real_photos(folder, *judges, rankings=rankings)
        if "backgrounds" in wanted:
            found["backgrounds"] = check_backgrounds(folder, *judges, rankings=rankings)
    if "series" in wanted:
        found["series"] = scan_series(folder, Classifier.load(models))
    return found


if __name__ == "__main__":
    main()
