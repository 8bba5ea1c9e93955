"""A checked clip in plain words: a record in, lines of text out. Nothing is printed here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.cli.text import SHOWN_FINE, box_text, counted, judgement_text, listed, wrapped
from pestvision.findings.words import LOOK_FOR

if TYPE_CHECKING:
    from pestvision.findings.clip_result import ClipAnimal, ClipCheck
    from pestvision.motion.trail import GaitReading

MOVED = {
    "inchworm-steps": "steps like an inchworm",
    "gliding": "glides along without a step",
    "looping-under-irritation": "loops in short, quick steps, as an irritated flatworm does",
    "thrashing": "thrashes in waves",
    "creeping": "creeps",
    "hopping": "hops",
    "still": "stays where it is",
}


def clip_text(found: ClipCheck) -> str:
    """Give the block of text for one clip; the caution comes after the last block."""
    kind = "photos" if found.is_burst else "frames"
    lines = [
        *wrapped(
            f"{found.clip} ({found.width} × {found.height} pixels, {found.n_frames} {kind}, "
            f"{found.seconds:.1f} s)"
        ),
        *wrapped(f"Verdict: {judgement_text(found.verdict)}", indent=2),
        *listed("Why:", found.verdict.reasons),
        *listed("What would settle it:", found.verdict.why.settled_by),
    ]
    if found.animals:
        lines += wrapped(f"Followed: {counted(len(found.animals), 'animal')}", indent=2)
        for animal in found.animals:
            lines += _animal_lines(animal)
    else:
        lines += wrapped("Followed: nothing; the clearest frame was judged.", indent=2)
    lines += listed("Look for by eye:", LOOK_FOR[found.verdict.label])
    lines += listed("About the clip:", found.notes)
    return "\n".join(lines) + "\n"


def gait_text(gait: GaitReading) -> str:
    """Give a gait in a few words."""
    if gait.gait is None:
        return "how it moves can't be told from this"
    steps = f", {gait.n_steps} of {gait.n_cycles} steps" if gait.n_steps else ""
    return f"{MOVED[gait.gait]}{steps}"


def _animal_lines(animal: ClipAnimal) -> list[str]:
    judged = animal.judgement
    first = wrapped(
        f"{animal.track}. {judgement_text(judged)}; {gait_text(animal.gait)}; followed for "
        f"{animal.trail.duration_s:.1f} s from {animal.first_seen_s:.1f} s on, box "
        f"{box_text(animal.first_box_xyxy_px)}; looks most like: {SHOWN_FINE[judged.fine]}",
        indent=4,
    )
    sentences = [*animal.gait.reasons, *_size_sentences(animal)]
    sentences += [cue.sentence() for cue in animal.judgement.cues]
    return first + [line for text in sentences for line in wrapped(f"- {text}", indent=7)]


def _size_sentences(animal: ClipAnimal) -> list[str]:
    from pestvision.size.measure import length_words

    said = []
    if animal.length is not None:
        said.append(length_words(animal.length))
    if animal.length_note:
        said.append(animal.length_note)
    if animal.speed_mm_s is not None:
        said.append(f"It went {animal.speed_mm_s:.1f} mm a second.")
    return said
