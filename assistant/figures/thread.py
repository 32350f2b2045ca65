"""Screw threads: ISO metric and unified inch, read from how they are written on a drawing."""

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from assistant.errors import GlovesideError

MM_PER_INCH = 25.4

COARSE_PITCH_MM = {
    "1.6": 0.35, "2": 0.4, "2.5": 0.45, "3": 0.5, "4": 0.7, "5": 0.8, "6": 1.0, "7": 1.0, "8": 1.25, "10": 1.5, "12": 1.75,
    "14": 2.0, "16": 2.0, "18": 2.5, "20": 2.5, "22": 2.5, "24": 3.0, "27": 3.0, "30": 3.5, "33": 3.5, "36": 4.0, "39": 4.0,
}  # fmt: skip
"""Nominal diameter, mm -> coarse pitch, mm; ISO 261, from memory."""

UNIFIED_PER_INCH = {
    "UNC": {"1/4": 20, "5/16": 18, "3/8": 16, "7/16": 14, "1/2": 13, "9/16": 12, "5/8": 11, "3/4": 10, "7/8": 9, "1": 8,
            "9/8": 7, "5/4": 7, "11/8": 6, "3/2": 6},
    "UNF": {"1/4": 28, "5/16": 24, "3/8": 24, "7/16": 20, "1/2": 20, "9/16": 18, "5/8": 18, "3/4": 16, "7/8": 14, "1": 12,
            "9/8": 12, "5/4": 12, "11/8": 12, "3/2": 12},
}  # fmt: skip
"""Series -> nominal diameter, in -> threads per inch; ASME B1.1, from memory."""

_METRIC = re.compile(r"M\s*(?P<d>\d+(?:\.\d+)?)(?:\s*[x×*]\s*(?P<pitch>\d+(?:\.\d+)?))?", re.IGNORECASE)
_UNIFIED = re.compile(
    r"(?:(?P<whole>\d+)[\s-]+(?=\d+/))?(?P<part>\d+(?:/\d+)?)(?:\s*-\s*(?P<per_inch>\d+))?\s*(?P<series>UNC|UNF|UNEF|UN|UNS)?",
    re.IGNORECASE,
)


class FigureError(GlovesideError):
    """A figure cannot be worked out from what was given."""

    exit_code = 3


@dataclass(frozen=True)
class Thread:
    """A thread's nominal dimensions."""

    name: str
    """As written, tidied: M10x1.5 or 3/8-16 UNC."""
    diameter_mm: float
    """Nominal (major) diameter, mm."""
    pitch_mm: float
    """Distance from one thread to the next, mm."""
    inch: bool
    """True for a unified thread."""

    @property
    def stress_area_mm2(self) -> float:
        """Tensile stress area, mm2: pi/4 (d - 0.9382 P)^2 of ISO 898-1, or 0.7854 (D - 0.9743/n)^2 of ASME B1.1 for inch threads."""
        if self.inch:
            return 0.7854 * (self.diameter_mm - 0.9743 * self.pitch_mm) ** 2
        return math.pi / 4 * (self.diameter_mm - 0.9382 * self.pitch_mm) ** 2

    @property
    def pitch_diameter_mm(self) -> float:
        """d2 = d - 0.6495 P, mm; ISO 724 and ASME B1.1, from memory."""
        return self.diameter_mm - 0.649519 * self.pitch_mm

    @property
    def minor_diameter_mm(self) -> float:
        """d3 = d - 1.2269 P, mm, at the root of an ISO metric bolt; from memory."""
        return self.diameter_mm - 1.226869 * self.pitch_mm


def read_thread(text: str) -> Thread:
    """Read "M8" (coarse), "M10x1.25", "3/8-16 UNC", "1/2 UNF" or "1 1/8-7 UNC". Raises FigureError."""
    plain = " ".join(text.replace(",", ".").split())
    if found := _METRIC.fullmatch(plain):
        return _metric(found["d"], found["pitch"])
    if found := _UNIFIED.fullmatch(plain):
        try:
            size = Fraction(found["part"]) + int(found["whole"] or 0)
        except ZeroDivisionError:
            size = Fraction(0)
        if size and (found["per_inch"] or found["series"]):
            return _unified(size, found["per_inch"], (found["series"] or "").upper())
    raise FigureError(f"{text!r} is not a thread this program knows; write it like M10, M10x1.25, 3/8-16 UNC or 1/2 UNF.")


def _metric(diameter: str, pitch: str | None) -> Thread:
    size = f"{float(diameter):g}"
    coarse = COARSE_PITCH_MM.get(size)
    if pitch is None and coarse is None:
        raise FigureError(f"M{size} has no coarse pitch in the table; write its pitch in mm too, like M{size}x1.5.")
    own = float(pitch) if pitch else coarse
    # Nothing coarser than the coarse pitch is standard: M10x15 is a slip for M10x1.5. Off the table, a fifth of the diameter.
    most = coarse if coarse is not None else float(diameter) / 5
    if not 0.2 <= own <= most:
        raise FigureError(f"M{size} with a pitch of {own:g} mm is no standard thread (at most {most:g} mm); check the pitch.")
    return Thread(f"M{size}x{own:g}", float(diameter), own, inch=False)


def _unified(size: Fraction, per_inch: str | None, series: str) -> Thread:
    whole, rest = divmod(size, 1)
    written = "-".join(str(part) for part in (whole, rest) if part)
    standard = UNIFIED_PER_INCH.get(series, {}).get(str(size))
    if per_inch is None and standard is None:
        raise FigureError(f"{written} {series} is not in the table; write its threads per inch too, like {written}-12 {series}.")
    number = int(per_inch) if per_inch else standard
    if standard is not None and number != standard:
        raise FigureError(f"{written} {series} has {standard} threads per inch, not {number}; check the thread.")
    if not (4 <= number <= 80 and size * number >= 4 and size <= 6):
        raise FigureError(f"{written}-{number} is no standard thread; check the size in inches and the threads per inch.")
    return Thread(f"{written}-{number} {series}".strip(), float(size) * MM_PER_INCH, MM_PER_INCH / number, inch=True)
