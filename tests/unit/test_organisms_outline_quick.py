"""The quickened outline net gives what the net gives."""

from __future__ import annotations

import pytest
import torch

from pestvision.organisms.outline_net import build_outline_net, load_outline_net
from pestvision.organisms.outline_quick import quickened

WITHIN = 1e-3  # of log-odds, which reach to some dozens; measured 5e-6


@pytest.mark.parametrize("size", [(128, 128), (48, 112), (16, 16)])
def test_the_quickened_net_answers_as_the_net_does_up_to_the_edge(size: tuple[int, int]) -> None:
    pictures = torch.rand(2, 4, *size, generator=torch.Generator().manual_seed(1)) - 0.5
    net = load_outline_net()
    with torch.inference_mode():
        plain, quick = net(pictures), quickened(net)(pictures)
    assert plain.std() > 0.5  # it tells places apart
    assert (plain - quick).abs().max() < WITHIN


def test_any_weights_are_taken_as_they_are() -> None:
    torch.manual_seed(3)
    net = build_outline_net().eval()
    pictures = torch.rand(1, 4, 64, 64) - 0.5
    with torch.inference_mode():
        plain, quick = net(pictures), quickened(net)(pictures)
    assert torch.allclose(plain, quick, atol=1e-4 * float(plain.abs().max()))
