"""How long is it? Scales, what water and glass do to them, and the length of an animal.

`scale` finds millimetres per pixel, `refraction` corrects them, `measure` gives a length with its range.
"""
