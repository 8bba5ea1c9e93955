"""The caution that goes with every label of the net, wherever it is shown or handed on.

An answer gives it whole, once, beside its first label; `CAUTION_BRIEF` stands beside each further one.
"""

from __future__ import annotations

CAUTION = (
    "This is a computer's reading of a picture, not a diagnosis. It can be wrong in both directions. "
    "Look at the animal itself before you act, and ask someone who knows these animals before you "
    "treat, sell or throw anything away. The label of a product, your local rules and a vet come first; "
    "copper and bleach kill snails, and nothing from a tank belongs outdoors."
)

CAUTION_BRIEF = "A computer's reading, not a diagnosis."
