"""One table of tolerances for every test that compares numbers."""

from __future__ import annotations

TOLERANCE = {
    "alignment_px": 0.3,  # known warps of smooth pictures
    "logits_rel": 1e-3,
    "logits_abs": 1e-4,
}
