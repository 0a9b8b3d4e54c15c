"""W3C Compositing and Blending Level 1, blend mode `lighten`: B(Cb, Cs) = max(Cb, Cs).

Composited by the general formula of the same document, section "Blending":
    co = cs (1 - ab) as + cb ab (1 - as) + as ab B(cb, cs)
Worked values for as 0.5, ab 1, cb 0.2: cs 0.6 -> 0.4, cs 0.1 -> 0.2; for as 1: 0.6 and 0.2.
"""

from __future__ import annotations

import numpy as np
import pytest

from lampwalk import rules


def composite(cb: float, cs: float, alpha_s: float, alpha_b: float = 1.0) -> float:
    """The document's formula, premultiplied result."""
    return cs * (1 - alpha_b) * alpha_s + cb * alpha_b * (1 - alpha_s) + alpha_s * alpha_b * max(cb, cs)


@pytest.mark.parametrize(("cs", "alpha", "co"), [(0.6, 0.5, 0.4), (0.1, 0.5, 0.2), (0.6, 1.0, 0.6), (0.1, 1.0, 0.2)])
def test_the_formula_gives_the_worked_values(cs: float, alpha: float, co: float) -> None:
    assert composite(0.2, cs, alpha) == pytest.approx(co)


def test_the_rule_is_the_formula_for_opaque_frames() -> None:
    rng = np.random.default_rng(11)
    frames = rng.integers(0, 65536, (4, 8, 9, 3), dtype=np.uint16)
    rule = rules.get("lighten")
    state = rule.start((8, 9))
    for frame in frames:
        rule.fold(state, frame)
    wanted = np.zeros((8, 9, 3))
    for frame in frames:
        wanted = np.vectorize(composite)(wanted, frame.astype(np.float64), 1.0)
    assert np.array_equal(state[0], wanted)
