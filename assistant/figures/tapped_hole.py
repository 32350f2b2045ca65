"""How much a tapped hole holds before its thread strips, and the highest torque for a bolt in it."""

import math
from dataclasses import dataclass

from assistant.figures.thread import MM_PER_INCH, FigureError, Thread, read_thread
from assistant.figures.torque import nut_factor
from assistant.figures.working import Result, require_positive

LOAD_SHARE = 2 / 3
"""Share of the stripping load a bolt may pull with; common practice, no source. It also covers what the formula leaves out: threads
that bend, a boss that widens and a first turn that carries most (Alexander's corrections)."""

COUNTED_DIAMETERS = 2.5
"""Engaged length counted at most, in bolt diameters: turns further in carry little. Common practice, no source."""


@dataclass(frozen=True)
class HoleMaterial:
    """A material that threads are tapped in, taken at its weak end."""

    shear_mpa: float
    """Shear strength, MPa."""
    words: str
    """What is assumed."""
    source: str
    """Where the figure comes from."""


HOLE_MATERIALS: dict[str, HoleMaterial] = {
    "aluminium": HoleMaterial(90, "a weak sand casting, 0.6 x 150 MPa", "EN 1706, from memory; published tables of die castings give 130 MPa and more"),
    "cast iron": HoleMaterial(150, "the weakest grey iron, no more than its 150 MPa tensile strength", "a published table gives 179 MPa in shear, from a secondary copy"),
    "brass": HoleMaterial(130, "cast brass, 0.6 x 220 MPa", "EN 1982, from memory; a published table of die castings gives 255 MPa"),
    "plastic": HoleMaterial(15, "plain polypropylene for a short time, 0.5 x 30 MPa", "common practice, no source"),
}
"""Material -> shear strength. A better figure for the very part comes first."""


@dataclass(frozen=True)
class HoleLimit(Result):
    """The highest torque for a bolt in a tapped hole, N.m."""

    stripping_n: float
    """Pull that strips the hole, N."""
    shear_area_mm2: float
    """Shear area of the hole's thread over the engaged length, mm2."""


def shear_area_per_mm(least_major_mm: float, most_pitch_diameter_mm: float, pitch_mm: float) -> float:
    """Shear area of an internal 60 degree thread for each mm engaged, mm2/mm: pi Ds (1/2 + 0.57735 (Ds - En)/P).

    Ds is the least major diameter of the bolt, En the greatest pitch diameter of the hole, mm. FED-STD-H28 and Alexander, seen in
    secondary copies. Raises FigureError.
    """
    require_positive(major_diameter=least_major_mm, pitch_diameter=most_pitch_diameter_mm, pitch=pitch_mm)
    return math.pi * least_major_mm * (0.5 + math.tan(math.radians(30)) * (least_major_mm - most_pitch_diameter_mm) / pitch_mm)


def worst_diameters(thread: Thread) -> tuple[float, float]:
    """(least major diameter of the bolt, greatest pitch diameter of the hole), mm, at the loose end of the usual fits.

    Metric: 6g in 6H by the formulas of ISO 965-1; inch: 2A in 2B by those of ASME B1.1 with one diameter engaged; both from memory.
    """
    if thread.inch:
        size, pitch = thread.diameter_mm / MM_PER_INCH, thread.pitch_mm / MM_PER_INCH
        tolerance = 0.0015 * size ** (1 / 3) + 0.0015 * size**0.5 + 0.015 * pitch ** (2 / 3)
        major = size - 0.3 * tolerance - 0.060 * pitch ** (2 / 3)
        return major * MM_PER_INCH, thread.pitch_diameter_mm + 1.3 * tolerance * MM_PER_INCH
    pitch = thread.pitch_mm
    allowance, tolerance = 15 + 11 * pitch, 180 * pitch ** (2 / 3) - 3.15 / pitch**0.5
    hole = 1.32 * 90 * pitch**0.4 * thread.diameter_mm**0.1
    return thread.diameter_mm - (allowance + tolerance) / 1000, thread.pitch_diameter_mm + hole / 1000


def hole_material(name: str) -> HoleMaterial:
    """The material called `name`, a key of HOLE_MATERIALS. Raises FigureError."""
    key = " ".join(name.lower().replace("-", " ").replace("aluminum", "aluminium").split())
    if key not in HOLE_MATERIALS:
        raise FigureError(f"The material {name!r} is not in the table of tapped holes; use one of {', '.join(HOLE_MATERIALS)}.")
    return HOLE_MATERIALS[key]


def tapped_hole_torque_limit(thread: str, engaged_mm: float, material: str, lubrication: str) -> HoleLimit:
    """Highest torque, N.m, for a bolt in a tapped hole: at it, with the least K met, the bolt pulls two thirds of the stripping load.

    `thread` as in `read_thread`, `engaged_mm` the full threads that bear, mm, `material` a key of HOLE_MATERIALS, `lubrication` a key
    of LUBRICATION. The bolt's own strength is not looked at. Raises FigureError.
    """
    bolt, holds, factor = read_thread(thread), hole_material(material), nut_factor(lubrication)
    require_positive(engaged_length=engaged_mm)
    if engaged_mm < bolt.pitch_mm:
        raise FigureError(f"An engaged length of {engaged_mm:g} mm is less than one turn of {bolt.name}; measure how far the bolt goes in.")
    counted = min(engaged_mm, COUNTED_DIAMETERS * bolt.diameter_mm)
    major, pitch_diameter = worst_diameters(bolt)
    area = shear_area_per_mm(major, pitch_diameter, bolt.pitch_mm) * counted
    stripping = area * holds.shear_mpa
    pull = LOAD_SHARE * stripping
    torque = factor.low * pull * bolt.diameter_mm / 1000
    fits = "2A in 2B, ASME B1.1" if bolt.inch else "6g in 6H, ISO 965-1"
    lines = [
        f"Thread {bolt.name}: least bolt diameter Ds = {major:.3f} mm, greatest pitch diameter of the hole En = {pitch_diameter:.3f} mm ({fits}, from memory)",
        f"Shear area = pi Ds (1/2 + 0.57735 (Ds - En)/P) x {counted:g} mm = {area:.1f} mm2 (FED-STD-H28)",
        f"Shear strength {holds.shear_mpa:g} MPa, {holds.words} ({holds.source})",
        f"The hole strips at {area:.1f} mm2 x {holds.shear_mpa:g} MPa = {stripping / 1000:.2f} kN",
        f"Allowed pull F = 2/3 of that = {pull / 1000:.2f} kN (common practice, no source)",
        f"Least nut factor K = {factor.low:.2f}, {factor.words} ({factor.source})",
        f"Highest torque T = K F d = {factor.low:.2f} x {pull / 1000:.2f} kN x {bolt.diameter_mm:g} mm = {torque:.1f} N.m",
    ]
    if counted < engaged_mm:
        lines.insert(1, f"Of {engaged_mm:g} mm engaged only {COUNTED_DIAMETERS:g} diameters count: turns further in carry little (common practice, no source)")
    if holds is HOLE_MATERIALS["plastic"]:
        lines.append("Plastic creeps: the pull falls with time, and heat weakens it; check the torque again after a day (common practice, no source)")
    return HoleLimit(torque, "N.m", tuple(lines), stripping, area)
