"""Drawn organisms, tanks, pairs, bursts and nights, with exact truth.

Used three times: to train the net, to test every stage, and to make the sample images.
"""

from training.scenes.bursts import draw_burst
from training.scenes.crops import draw_close_up, draw_crop, draw_empty
from training.scenes.nights import NightPlan, draw_night
from training.scenes.pairs import CALM, HAND_HELD, USUAL, Stir, draw_pair
from training.scenes.records import TRIPOD, HandHeld

__all__ = [
    "CALM",
    "HAND_HELD",
    "TRIPOD",
    "USUAL",
    "HandHeld",
    "NightPlan",
    "Stir",
    "draw_burst",
    "draw_close_up",
    "draw_crop",
    "draw_empty",
    "draw_night",
    "draw_pair",
]
