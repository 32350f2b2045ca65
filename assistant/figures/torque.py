"""Tightening torque of a bolt, with its working shown line by line. A guide where the maker gives no figure, never in its place."""

import math
from dataclasses import dataclass

from assistant.figures.thread import MM_PER_INCH, FigureError, Thread, read_thread

MPA_PER_PSI = 0.006894757293168
NM_PER_LBF_FT = 1.3558179483314004


@dataclass(frozen=True)
class Strength:
    """The stress a bolt stands without lasting stretch, for a range of sizes."""

    stress_mpa: float
    """MPa."""
    up_to_mm: float
    """Greatest nominal diameter it holds for, mm."""
    is_proof: bool
    """True for stress under proof load; False for 0.2 % proof stress (stainless), which is no proof load."""
    source: str
    """Where the figure comes from."""


_ISO_898 = "ISO 898-1"
_ISO_898_MEMORY = "ISO 898-1, from memory"
_ISO_3506 = "ISO 3506-1"
_ISO_3506_MEMORY = "ISO 3506-1, from memory"
_SAE = "SAE J429"
_SAE_MEMORY = "SAE J429, from memory"

METRIC_STRENGTHS: dict[str, tuple[Strength, ...]] = {
    "8.8": (Strength(580, 16, True, _ISO_898), Strength(600, 39, True, _ISO_898)),
    "10.9": (Strength(830, 39, True, _ISO_898_MEMORY),),
    "12.9": (Strength(970, 39, True, _ISO_898_MEMORY),),
    "A2-70": (Strength(450, 24, False, _ISO_3506),),
    "A2-80": (Strength(600, 24, False, _ISO_3506_MEMORY),),
    "A4-70": (Strength(450, 24, False, _ISO_3506_MEMORY),),
    "A4-80": (Strength(600, 24, False, _ISO_3506),),
}
"""Property class -> strengths by size, thinnest first. Figures read from secondary copies of the standards."""

INCH_STRENGTHS: dict[str, tuple[Strength, ...]] = {
    "SAE 2": (
        Strength(55_000 * MPA_PER_PSI, 0.75 * MM_PER_INCH, True, _SAE_MEMORY),
        Strength(33_000 * MPA_PER_PSI, 1.5 * MM_PER_INCH, True, _SAE_MEMORY),
    ),
    "SAE 5": (
        Strength(85_000 * MPA_PER_PSI, 1.0 * MM_PER_INCH, True, _SAE),
        Strength(74_000 * MPA_PER_PSI, 1.5 * MM_PER_INCH, True, _SAE),
    ),
    "SAE 8": (Strength(120_000 * MPA_PER_PSI, 1.5 * MM_PER_INCH, True, _SAE),),
}
"""Grade -> strengths by size, thinnest first."""


@dataclass(frozen=True)
class NutFactor:
    """K of T = K F d for one state of the thread."""

    value: float
    """The K used."""
    low: float
    """Least K met in practice."""
    high: float
    """Greatest K met in practice."""
    words: str
    """The state, in words."""
    source: str
    """Where the figure comes from."""


LUBRICATION: dict[str, NutFactor] = {
    "dry": NutFactor(0.20, 0.18, 0.22, "dry plain steel", "published torque tables for SAE J429 bolts; range: common practice, no source"),
    "oiled": NutFactor(0.15, 0.15, 0.18, "oiled steel", "published torque tables for SAE J429 bolts; range: common practice, no source"),
    "anti-seize": NutFactor(0.13, 0.11, 0.16, "anti-seize paste", "common practice, no source"),
    "ptfe tape": NutFactor(0.13, 0.11, 0.16, "PTFE tape", "common practice, no source"),
}
"""The lower K is used where a range is usual: too low a K gives too little torque, too high a K can break the bolt."""


@dataclass(frozen=True)
class Working:
    """A torque and how it was reached."""

    value: float
    """Torque, N.m, not rounded."""
    preload_n: float
    """Pull in the bolt at that torque, N."""
    lines: tuple[str, ...]
    """The working, one step a line, each with its source."""


def strength_of(thread: Thread, name: str) -> Strength:
    """The strength of class or grade `name` ("8.8", "A2-70", "SAE 5") at the size of `thread`. Raises FigureError."""
    key = " ".join(name.upper().replace("GRADE", "").split())
    if key in METRIC_STRENGTHS and thread.inch or key in INCH_STRENGTHS and not thread.inch:
        raise FigureError(f"{name} and the thread {thread.name} do not go together, one is metric and one inch; check both.")
    rows = (INCH_STRENGTHS if thread.inch else METRIC_STRENGTHS).get(key)
    if rows is None:
        known = ", ".join(INCH_STRENGTHS if thread.inch else METRIC_STRENGTHS)
        raise FigureError(f"The strength {name!r} is not in the table; for {thread.name} use one of {known}.")
    for row in rows:
        # Inch sizes in mm carry rounding: 3/4 in must stay within "up to 3/4 in".
        if thread.diameter_mm <= row.up_to_mm + 1e-6:
            return row
    raise FigureError(f"The table for {key} ends at {rows[-1].up_to_mm:g} mm, below {thread.name}; look the bolt up in its standard.")


def nut_factor(lubrication: str) -> NutFactor:
    """The nut factor of a key of LUBRICATION. Raises FigureError."""
    factor = LUBRICATION.get(lubrication.strip().lower())
    if factor is None:
        raise FigureError(f"The lubrication {lubrication!r} is not in the table; use one of {', '.join(LUBRICATION)}.")
    return factor


def tightening_torque(thread: str, strength: str, lubrication: str, percent_of_proof: float = 75) -> Working:
    """Torque by T = K F d for a preload of `percent_of_proof` per cent (over 0, at most 90) of proof stress times stress area.

    `thread` as in `read_thread`, `strength` a key of METRIC_STRENGTHS or INCH_STRENGTHS, `lubrication` a key of LUBRICATION.
    Raises FigureError. 75 per cent for joints to be taken apart again: common practice, no source.
    """
    if not 0 < percent_of_proof <= 90:
        raise FigureError(f"{percent_of_proof:g} % of proof is outside 0 to 90 %; use 75 % unless the drawing says otherwise.")
    factor = nut_factor(lubrication)
    bolt = read_thread(thread)
    row = strength_of(bolt, strength)
    area = bolt.stress_area_mm2
    preload = percent_of_proof / 100 * row.stress_mpa * area
    torque = factor.value * preload * bolt.diameter_mm / 1000
    least, most = (preload * factor.value / k / 1000 for k in (factor.high, factor.low))
    formula = "0.7854 (D - 0.9743/n)^2, ASME B1.1" if bolt.inch else "pi/4 (d - 0.9382 P)^2, ISO 898-1"
    kind = "stress under proof load" if row.is_proof else "0.2 % proof stress (no proof load is given for stainless)"
    lines = [
        f"Thread {bolt.name}: d = {bolt.diameter_mm:g} mm, P = {bolt.pitch_mm:.4g} mm",
        f"Stress area As = {area:.2f} mm2 ({formula})",
        f"Strength {strength}: {row.stress_mpa:.1f} MPa, {kind} ({row.source})",
        f"Preload F = {percent_of_proof:g} % x {row.stress_mpa:.1f} MPa x {area:.2f} mm2 = {preload / 1000:.2f} kN",
        f"Nut factor K = {factor.value:.2f}, {factor.words} ({factor.source})",
        f"Torque T = K F d = {factor.value:.2f} x {preload / 1000:.2f} kN x {bolt.diameter_mm:g} mm = {torque:.1f} N.m",
    ]
    if bolt.inch:
        lines.append(f"= {torque / NM_PER_LBF_FT:.1f} lbf.ft")
    lines.append(f"With K from {factor.low:.2f} to {factor.high:.2f} this torque gives {least:.1f} to {most:.1f} kN")
    return Working(torque, preload, tuple(lines))


def motosh_torque(
    preload_n: float, pitch_mm: float, thread_radius_mm: float, thread_friction: float, face_radius_mm: float, face_friction: float
) -> Working:
    """Torque in its three shares, T = F (P/2pi + mu_t r_t / cos 30 deg + mu_n r_n); equation of Motosh, from memory.

    Radii are the mean ones of thread and nut face, mm; frictions have no unit. Raises FigureError unless all but friction are over 0.
    """
    _positive(preload=preload_n, pitch=pitch_mm, thread_radius=thread_radius_mm, face_radius=face_radius_mm)
    shares = (
        ("stretch, P/2pi", preload_n * pitch_mm / (2 * math.pi) / 1000),
        ("thread friction, mu r / cos 30", preload_n * thread_friction * thread_radius_mm / math.cos(math.radians(30)) / 1000),
        ("face friction, mu r", preload_n * face_friction * face_radius_mm / 1000),
    )
    torque = sum(share for _, share in shares)
    lines = [f"Preload F = {preload_n / 1000:.2f} kN"]
    lines += [f"Share of {name}: {share:.2f} N.m ({share / torque:.1%})" for name, share in shares]
    return Working(torque, preload_n, (*lines, f"Torque T = {torque:.1f} N.m (Motosh)"))


def screw_torque(
    preload_n: float,
    diameter_mm: float,
    mean_diameter_mm: float,
    lead_mm: float,
    thread_friction: float,
    collar_friction: float,
    flank_half_angle_deg: float = 30,
) -> Working:
    """Torque by the power-screw equation with a collar of mean diameter 1.25 d; Shigley, eq. 8-26 (9th ed. numbering, from memory).

    Raises FigureError unless preload and dimensions are over 0.
    """
    _positive(preload=preload_n, diameter=diameter_mm, mean_diameter=mean_diameter_mm, lead=lead_mm)
    climb = lead_mm / (math.pi * mean_diameter_mm)
    flank = thread_friction / math.cos(math.radians(flank_half_angle_deg))
    thread_share = preload_n * mean_diameter_mm / 2 * (climb + flank) / (1 - climb * flank) / 1000
    collar_share = preload_n * collar_friction * 1.25 * diameter_mm / 2 / 1000
    lines = (
        f"Preload F = {preload_n / 1000:.2f} kN; slope of the thread l / (pi dm) = {climb:.5f}",
        f"Thread: F dm/2 (slope + f/cos a) / (1 - slope f/cos a) = {thread_share:.2f} N.m",
        f"Collar: F fc (1.25 d)/2 = {collar_share:.2f} N.m",
        f"Torque T = {thread_share + collar_share:.1f} N.m (Shigley, eq. 8-26)",
    )
    return Working(thread_share + collar_share, preload_n, lines)


def vdi_torque(
    thread: str,
    yield_mpa: float,
    thread_friction: float,
    face_friction: float,
    face_outer_mm: float,
    hole_mm: float,
    utilisation: float = 0.9,
) -> Working:
    """Assembly preload and torque of a shank bolt by VDI 2230, from memory: tension and twist together reach `utilisation` of yield.

    `yield_mpa` is Rp0.2 in MPa (640 for class 8.8 up to 16 mm), `face_outer_mm` the bearing diameter of the head, `hole_mm` the hole
    under it, `utilisation` a share from 0 to 1. Raises FigureError.
    """
    _positive(yield_stress=yield_mpa, face_outer=face_outer_mm, hole=hole_mm, utilisation=utilisation)
    if utilisation > 1:
        raise FigureError(f"A utilisation of {utilisation:g} is over yield; use 0.9 unless the drawing says otherwise.")
    bolt = read_thread(thread)
    if bolt.inch:
        raise FigureError(f"VDI 2230 is for metric threads, not {bolt.name}; use the short form for inch threads.")
    d2 = bolt.pitch_diameter_mm
    d0 = (d2 + bolt.minor_diameter_mm) / 2
    grip = bolt.pitch_mm / (math.pi * d2) + 1.155 * thread_friction
    preload = utilisation * yield_mpa * math.pi / 4 * d0**2 / math.sqrt(1 + 3 * (1.5 * d2 / d0 * grip) ** 2)
    face = (face_outer_mm + hole_mm) / 2
    torque = preload * (0.16 * bolt.pitch_mm + 0.58 * d2 * thread_friction + face / 2 * face_friction) / 1000
    lines = (
        f"Thread {bolt.name}: d2 = {d2:.3f} mm, d3 = {bolt.minor_diameter_mm:.3f} mm, d0 = {d0:.3f} mm",
        f"Preload FM = {utilisation:g} x {yield_mpa:g} MPa x A0 / sqrt(1 + 3 (1.5 d2/d0 (P/(pi d2) + 1.155 mu))^2) = {preload / 1000:.2f} kN",
        f"Mean face diameter DKm = {face:.2f} mm",
        f"Torque MA = FM (0.16 P + 0.58 d2 muG + DKm/2 muK) = {torque:.1f} N.m (VDI 2230)",
    )
    return Working(torque, preload, lines)


def _positive(**figures: float) -> None:
    for name, figure in figures.items():
        if not figure > 0:
            raise FigureError(f"The {name.replace('_', ' ')} must be more than 0, not {figure:g}; check that figure.")
