"""Uncertain inputs, their propagation, and how far a figure may be off: JCGM 100:2008 ("GUM").

`uncertainties` propagates to first order (GUM 5.1.2, 5.2.2): inputs are independent, and what two figures share
correlates them. This file adds the degrees of freedom (Welch–Satterthwaite, GUM G.4.1), Student's t (GUM G.3) and
the budget. The worker never imports this.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist
from typing import Any, Literal, TypeAlias

from uncertainties import ufloat
from uncertainties.core import AffineScalarFunc

P95 = 0.95
_NEGLIGIBLE = 1e-9
"""Parts below this share of the largest are left out of a budget: rounding, not uncertainty."""

Scope: TypeAlias = Literal["bench", "pack", "run"]
Uncertain: TypeAlias = Any
"""A float, or the library's number that depends on uncertain inputs; it has no types of its own."""


@dataclass(frozen=True, slots=True)
class Part:
    """One input's contribution to a figure: sensitivity × standard uncertainty, signed, in the figure's unit.

    `input` says in words what it is; `dof` its degrees of freedom, None for infinitely many. `scope` says where the
    very same error comes again: in every figure with an input of that name ("bench": a meter known by its serial
    number), in all runs of this pack ("pack": a meter nobody can tell from another), or in this run only ("run").
    `rectangular`: it comes from limits, not from a scatter.
    """

    input: str
    contribution: float
    dof: float | None = None
    scope: Scope = "run"
    rectangular: bool = True


@dataclass(frozen=True, slots=True)
class Expanded:
    """Standard uncertainty, effective degrees of freedom (None: infinite), k = t95 of them, and U = k · u."""

    u: float
    dof: float | None
    k: float
    U: float


class Inputs:
    """The uncertain inputs of one run. Each is made once; asking again by the same words gives the same one.

    The same words with another size would be another input: ValueError.
    """

    def __init__(self) -> None:
        """Begin without inputs."""
        self._made: dict[str, Any] = {}
        self._known: dict[str, Part] = {}
        self._missing: dict[str, str] = {}

    def limits(self, words: str, half_width: float, scope: Scope = "run") -> Uncertain:
        """Return zero known within ± `half_width` only: rectangular, u = a/√3 (GUM 4.3.7)."""
        return self._make(Part(words, abs(half_width) / math.sqrt(3.0), None, scope))

    def scatter(self, words: str, u: float, dof: float | None) -> Uncertain:
        """Return zero with a standard uncertainty from a scatter with so many degrees of freedom (Type A, GUM 4.2)."""
        return self._make(Part(words, u, dof, "run", rectangular=False))

    def unknown(self, words: str, line: str) -> Uncertain:
        """Return zero whose limits nobody stated; `line` says which line in which file is missing."""
        self._missing.setdefault(words, line)
        return self._make(Part(words, 1.0))

    def again(self, value: float, parts: Iterable[Part], pack: str, run: str) -> Uncertain:
        """Return a figure as a number that depends on these inputs, from its budget.

        What is the pack's or the run's own is told from others by `pack` and `run`; what is the bench's meets.
        """
        found: Uncertain = value
        for part in parts:
            own = {"bench": "", "pack": f" ({pack})", "run": f" ({run})"}[part.scope]
            one = replace(part, input=part.input + own, contribution=1.0)
            found = found + part.contribution * self._make(one)
        return found

    def _make(self, part: Part) -> Uncertain:
        if part.input not in self._made:
            if not part.contribution > 0.0:
                return 0.0
            self._made[part.input] = ufloat(0.0, part.contribution, tag=part.input)
            self._known[part.input] = part
        elif not math.isclose(self._known[part.input].contribution, part.contribution, rel_tol=1e-9):
            known = self._known[part.input].contribution
            raise ValueError(f"{part.input}: u = {part.contribution}; {known} would be right, as it was made before")
        return self._made[part.input]

    def budget(self, value: Uncertain) -> tuple[tuple[Part, ...], tuple[str, ...]]:
        """Return a value's parts, largest first, and the lines whose lack keeps it from having an uncertainty."""
        if not isinstance(value, AffineScalarFunc):
            return (), ()
        sums = [(variable.tag, slope * variable.std_dev) for variable, slope in value.derivatives.items()]
        top = max((abs(size) for _, size in sums), default=0.0)
        sums = [(tag, size) for tag, size in sums if abs(size) > _NEGLIGIBLE * top]
        lines = tuple(sorted({self._missing[tag] for tag, _ in sums if tag in self._missing}))
        parts = [replace(self._known[tag], contribution=size) for tag, size in sums]
        return tuple(sorted(parts, key=lambda part: (-abs(part.contribution), part.input))), lines


def value_of(value: Uncertain) -> float:
    """Return the number itself."""
    return float(value.nominal_value) if isinstance(value, AffineScalarFunc) else float(value)


def expand(parts: Iterable[Part], share: float = P95) -> Expanded:
    """Return u, ν, k and U of independent parts. No part: all zero, k for infinitely many degrees of freedom.

    u² = Σ cᵢ²uᵢ² (GUM 5.1.2); ν = u⁴ ÷ Σ(uᵢ⁴/νᵢ) (G.4.1); k = t(ν) (G.3).
    """
    sizes = [(part.contribution, part.dof) for part in parts]
    u = math.sqrt(math.fsum(size * size for size, _ in sizes))
    dof = welch_satterthwaite(sizes)
    k = t_factor(dof, share)
    return Expanded(u, dof, k, k * u)


def welch_satterthwaite(parts: Iterable[tuple[float, float | None]]) -> float | None:
    """Return the effective degrees of freedom of (uᵢ, νᵢ), None for infinitely many (GUM G.4.1, equation G.2b)."""
    sizes = list(parts)
    squares = math.fsum(u * u for u, _ in sizes)
    below = math.fsum(u**4 / dof for u, dof in sizes if dof is not None)
    return squares * squares / below if below > 0.0 else None


@lru_cache(maxsize=4096)
def t_factor(dof: float | None, share: float = P95) -> float:
    """Return the t for which `share` of Student's distribution with `dof` degrees of freedom lies within ± t.

    None: the normal distribution. Degrees of freedom need not be whole (GUM G.4.1, note 1, leaves the choice between
    cutting them down and not; Welch's test does not). Raises ValueError outside 0 < share < 1 or below 0.5 degrees of
    freedom.
    """
    if not 0.0 < share < 1.0 or (dof is not None and not dof >= 0.5):
        raise ValueError(f"found share {share} and {dof} degrees of freedom; a share in 0 to 1 and 0.5 or more")
    t = NormalDist().inv_cdf(0.5 + share / 2.0)
    if dof is None or dof > _MANY:
        return t
    # Newton's way from below: the share within ± t rises ever more slowly, so that no step goes too far.
    front = math.exp(math.lgamma(0.5 * (dof + 1.0)) - math.lgamma(0.5 * dof)) / math.sqrt(dof * math.pi)
    for _ in range(200):
        density = 2.0 * front * math.exp(-0.5 * (dof + 1.0) * math.log1p(t * t / dof))
        step = (share - share_within(t, dof)) / density
        t += step
        if abs(step) <= 1e-14 * t:
            break
    return t


_MANY = 1e7


def share_within(t: float, dof: float | None) -> float:
    """Return the share of Student's distribution with `dof` degrees of freedom that lies within ± t.

    1 − I(ν/(ν+t²); ν/2, 1/2), the incomplete beta function (Abramowitz and Stegun 26.7.1).
    """
    if dof is None or dof > _MANY:
        return math.erf(abs(t) / math.sqrt(2.0))
    return 1.0 - _incomplete_beta(0.5 * dof, 0.5, dof / (dof + t * t)) if t else 0.0


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Return the regularised incomplete beta function by its continued fraction (DLMF 8.17.22)."""
    if x > (a + 1.0) / (a + b + 2.0):
        return 1.0 - _incomplete_beta(b, a, 1.0 - x) if x < 1.0 else 1.0
    front = math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    fraction, c, d = 1.0, 1.0, 0.0
    for n in range(1, 10_000):  # Lentz's way of working a continued fraction out
        m = n // 2
        top = (
            m * (b - m) / ((a + n - 1.0) * (a + n)) if n % 2 == 0 else -(a + m) * (a + b + m) / ((a + n - 1) * (a + n))
        )
        d = 1.0 / (1.0 + top * x * d)
        c = 1.0 + top * x / c
        fraction *= c * d
        if abs(c * d - 1.0) < 1e-15:
            break
    return math.exp(front) / (a * fraction)
