"""Noise of a maximum against the expected values of normal order statistics.

Expected maximum and standard deviation of N independent standard normal values: exact for N = 2 (1 /
sqrt(pi)) and N = 3 (3 / (2 sqrt(pi))), else the table of H. A. David, Order Statistics (N = 5: 1.16296, 10:
1.53875), recomputed here from its definition, integral of n x phi(x) Phi(x)^(n-1).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from lampwalk import colour, rules
from lampwalk.previews import make_preview

TABLE = {2: 1 / math.sqrt(math.pi), 3: 1.5 / math.sqrt(math.pi), 5: 1.16296, 10: 1.53875}


@pytest.mark.parametrize("n", TABLE)
def test_the_table_follows_from_its_definition(n: int) -> None:
    mean, _ = integrate.quad(lambda x: n * x * stats.norm.pdf(x) * stats.norm.cdf(x) ** (n - 1), -12, 12)
    assert mean == pytest.approx(TABLE[n], abs=5e-5)


@pytest.mark.parametrize("n", TABLE)
def test_lighten_has_the_bias_of_the_table(n: int) -> None:
    frames = 20000 + 500 * np.random.default_rng(n).standard_normal((n, 150, 200, 3))
    rule = rules.get("lighten")
    state = rule.start((150, 200))
    for frame in frames:
        rule.fold(state, np.rint(frame).astype(np.uint16))
    assert (state[0].mean() - 20000) / 500 == pytest.approx(TABLE[n], abs=0.015)


def test_reach_takes_the_bias_away_where_no_lamp_adds_light() -> None:
    """Ten frames alike but for their noise, one of them the ambient frame: nothing is left of 1.54 sd."""
    light = 0.05 + 0.002 * np.random.default_rng(1).standard_normal((10, 150, 200, 3)).astype(np.float32)
    frames = [make_preview(str(i), colour.to_encoded(f)) for i, f in enumerate(light)]
    rule = rules.get("lighten")
    state = rule.start((150, 200))
    for frame, share in zip(frames, rules.reach(frames, [True] + [False] * 9), strict=True):
        strip = colour.to_encoded(frame.linear)
        rule.fold(state, strip if share is None else np.where(share[..., None] == 255, strip, 0).astype(np.uint16))
    bias = float((colour.to_linear(state[0]) - 0.05).mean() / 0.002)
    assert abs(bias) < 0.05 < TABLE[10]
