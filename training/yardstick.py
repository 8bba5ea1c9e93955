"""Make the yardstick that a personal head is held to: signatures of crops, by the shipped net.

    PESTVISION_PHOTOS=... python -m training.yardstick

Real boxed crops of photographs with an open licence, and drawings of seeds that no net has learned from.
Only signatures are kept, 1872 numbers a crop, no picture. The net has learned from the real ones, so the
yardstick shows what a personal head forgets, not how good the net is.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.collection.learn import balanced_accuracy
from pestvision.organisms.classify import Classifier
from pestvision.organisms.personal import log_groups
from pestvision.organisms.weights import CARD_NAME
from pestvision.organisms.yardstick import YARDSTICK_NAME, Yardstick, write_yardstick
from training.data import STRESS_KINDS, draw_examples, load_boxed, photos_folder
from training.train import HELD_OUT_SEED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from training.data import Example

OPEN = "open"
N_DRAWN_EACH = 10


def usable(examples: Sequence[Example]) -> list[Example]:
    """Give the real crops that may be in it: of an open licence, without the stress set."""
    return [item for item in examples if item.licence == OPEN and item.kind not in STRESS_KINDS]


def make_yardstick(classifier: Classifier, examples: Sequence[Example]) -> Yardstick:
    """Let the net see the crops, rounded as the file keeps them."""
    signatures = classifier.signatures([item.crop for item in examples])
    rounded = signatures.astype(np.float16).astype(np.float32)
    return Yardstick(rounded, np.array([item.group for item in examples], np.int64))


def main(argv: Sequence[str] | None = None) -> None:
    """Write the file and its checksum on the card, and print what the shipped head tells of it."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    args = parser.parse_args(argv)
    real = usable(load_boxed(photos_folder()))
    drawn = draw_examples(N_DRAWN_EACH, seed=HELD_OUT_SEED, workers=args.workers)
    classifier = Classifier.load(args.out)
    yardstick = make_yardstick(classifier, [*real, *drawn])
    data = write_yardstick(yardstick)
    (args.out / YARDSTICK_NAME).write_bytes(data)
    told = {
        "sha256": hashlib.sha256(data).hexdigest(),
        "real": len(real),
        "drawn": len(drawn),
        "shipped_balanced_accuracy": round(
            balanced_accuracy(
                yardstick.groups, log_groups(classifier.p_fine_of(yardstick.signatures))
            ),
            4,
        ),
    }
    path = args.out / CARD_NAME
    card = json.loads(path.read_text(encoding="utf-8")) | {"yardstick": told}
    path.write_text(json.dumps(card, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
