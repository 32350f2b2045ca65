"""A figure with its working: the shape that bench arithmetic hands back."""

import math
from dataclasses import dataclass

from assistant.figures.thread import FigureError


@dataclass(frozen=True)
class Result:
    """A figure and how it was reached."""

    value: float
    """The figure, not rounded."""
    unit: str
    """Unit key of the figure, as in assistant.figures.units."""
    lines: tuple[str, ...]
    """The working, one step a line, each with its source."""


def require_positive(**figures: float) -> None:
    """Raises FigureError, named by the argument's own name, unless every figure is a number over 0."""
    for name, figure in figures.items():
        if not (figure > 0 and math.isfinite(figure)):
            raise FigureError(f"The {name.replace('_', ' ')} must be a number over 0, not {figure:g}; check that figure.")
