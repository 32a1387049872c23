"""One figure of the bench beside what the standard asks and what theory allows."""

from __future__ import annotations

from dataclasses import dataclass

from watcher.trial.bench_limits import Limit


@dataclass(frozen=True, slots=True)
class Row:
    """One figure.

    Parameters
    ----------
    what, service : str
    value : float or None
        None where it could not be measured.
    unit : str
    limit : Limit or None
        None where no figure of a standard is at hand.
    theory : float or None
        In the same unit; None where there is no closed form.
    theory_words : str
        What the theory is.
    note : str
        How it was measured, where that is not plain.
    """

    what: str
    service: str
    value: float | None
    unit: str
    limit: Limit | None = None
    theory: float | None = None
    theory_words: str = ""
    note: str = ""

    @property
    def is_met(self) -> bool | None:
        """Whether the figure is on the limit's right side; None without figure or limit."""
        if self.value is None or self.limit is None:
            return None
        return self.limit.is_met(self.value)


@dataclass(frozen=True, slots=True)
class Curve:
    """A line of a plot: name, and points of x and y."""

    name: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    is_theory: bool = False


@dataclass(frozen=True, slots=True)
class Plot:
    """A plot: what the axes show, and its curves."""

    title: str
    x_label: str
    y_label: str
    curves: tuple[Curve, ...]
    log_x: bool = False
