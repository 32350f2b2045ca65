"""Checks on what a figure is given; `working.require_positive` is the third of them."""

import math

from assistant.figures.thread import FigureError


def finite(**figures: float) -> None:
    """Raises FigureError, named by the argument's own name, where a figure is no number."""
    for name, figure in figures.items():
        if not math.isfinite(figure):
            raise FigureError(f"The {name.replace('_', ' ')} is no number ({figure}); check that figure.")


def not_negative(**figures: float) -> None:
    """Raises FigureError, named by the argument's own name, unless every figure is 0 or more."""
    finite(**figures)
    for name, figure in figures.items():
        if figure < 0:
            raise FigureError(f"The {name.replace('_', ' ')} cannot be below 0, as {figure:g} is; check that figure.")
