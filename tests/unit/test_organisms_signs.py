"""Look-alikes and signs: every class has them, and the nearest is the likeliest of another group."""

from __future__ import annotations

import pytest

from pestvision.organisms.classes import (
    COMMON_PRACTICE,
    FINE_NAMES,
    GROUP_OF_FINE,
    LEAST_TOLD,
    LOOK_ALIKES,
    SIGNS,
    Group,
    look_alike_of,
)


def p_fine(**shares: float) -> list[float]:
    named = {name.replace("_", "-"): share for name, share in shares.items()}
    return [named.get(name, 0.0) for name in FINE_NAMES]


def test_every_class_has_a_sign_in_a_whole_sentence_with_its_source() -> None:
    assert list(SIGNS) == list(FINE_NAMES)
    for sign in SIGNS.values():
        assert sign.words[0].isupper()
        assert sign.words.endswith(".")
        # a year, a named guide, or the plain word that there is none
        is_named = any(char.isdigit() for char in sign.source) or "guide" in sign.source
        assert sign.source == COMMON_PRACTICE or is_named
    assert len({sign.words for sign in SIGNS.values()}) == len(FINE_NAMES)


def test_signs_of_the_pests_name_their_source() -> None:
    assert "ZooKeys" in SIGNS["leech"].source
    assert "Mol Biol Cell" in SIGNS["flatworm"].source


def test_look_alikes_are_of_other_groups_and_a_pest_is_among_them() -> None:
    assert list(LOOK_ALIKES) == list(FINE_NAMES)
    for fine, others in LOOK_ALIKES.items():
        assert all(GROUP_OF_FINE[other] != GROUP_OF_FINE[fine] for other in others)
        assert any(
            GROUP_OF_FINE[other] in {Group.LEECH_LIKE, Group.FLATWORM_LIKE} for other in others
        )
        assert len(set(others)) == len(others)


def test_the_nearest_look_alike_is_the_likeliest_of_another_group() -> None:
    shares = p_fine(snail=0.6, thin_worm=0.2, leech=0.08, plant_or_debris=0.12)
    assert look_alike_of("snail", shares) == "plant-or-debris"  # thin-worm is harmless as well
    assert look_alike_of("leech", shares) == "snail"


@pytest.mark.parametrize(
    ("share", "told"), [(LEAST_TOLD, "hydra"), (LEAST_TOLD * 0.99, LOOK_ALIKES["leech"][0])]
)
def test_where_the_net_names_none_the_table_does(share: float, told: str) -> None:
    assert look_alike_of("leech", p_fine(leech=1 - share, hydra=share)) == told
