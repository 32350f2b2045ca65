"""Whether a specified torque asks too much of the bolt, or of the hole it goes into."""

from assistant.figures.tapped_hole import tapped_hole_torque_limit
from assistant.figures.thread import FigureError, read_thread
from assistant.figures.torque import strength_of, tightening_torque
from assistant.figures.working import Result, require_positive

MOST_PERCENT = 90
"""Share of proof, per cent, above which a torque is warned of: what a torque wrench scatters has then no room left. Common practice, no source."""


def percent_of_proof(torque_nm: float, thread: str, strength: str, lubrication: str) -> Result:
    """Share of the bolt's proof load, per cent, that `torque_nm` pulls: the reverse of `tightening_torque`.

    Arguments as in `tightening_torque`. Stainless bolts have no proof load, so for them it is the share of 0.2 % proof stress.
    Raises FigureError.
    """
    require_positive(torque=torque_nm)
    # Torque and pull are in proportion, so any one working gives all others.
    known = tightening_torque(thread, strength, lubrication, 75)
    share, pull = 75 * torque_nm / known.value, known.preload_n * torque_nm / known.value
    proof = known.preload_n / 0.75
    what = _proof_words(thread, strength)
    last = f"{pull / 1000:.2f} kN of {proof / 1000:.2f} kN is {share:.1f} % of the {what}"
    return Result(share, "%", (*known.lines[:3], known.lines[4], f"Pull F = T/(K d) at {torque_nm:g} N.m = {pull / 1000:.2f} kN", last))


def torque_warnings(
    torque_nm: float,
    thread: str,
    strength: str,
    lubrication: str,
    engaged_mm: float | None = None,
    material: str | None = None,
    most_percent: float = MOST_PERCENT,
) -> list[str]:
    """A sentence for each limit that `torque_nm` is above: `most_percent` of the bolt's proof, and the hole's where it is described.

    `engaged_mm` and `material` describe a tapped hole as in `tapped_hole_torque_limit` and go together. Empty when all is well.
    Raises FigureError.
    """
    if (engaged_mm is None) != (material is None):
        raise FigureError("A tapped hole needs both the engaged length and the material; give the two, or neither.")
    said = []
    share = percent_of_proof(torque_nm, thread, strength, lubrication).value
    bolt = read_thread(thread).name
    if share > most_percent:
        limit = tightening_torque(thread, strength, lubrication, most_percent).value
        said.append(
            f"{torque_nm:g} N.m takes the bolt {bolt} of {strength}, {lubrication}, to {share:.0f} percent of its {_proof_words(thread, strength)}; "
            f"{most_percent:g} percent is the most, at {limit:.1f} N.m."
        )
    if engaged_mm is not None and material is not None:
        hole = tapped_hole_torque_limit(thread, engaged_mm, material, lubrication)
        if torque_nm > hole.value:
            said.append(
                f"{torque_nm:g} N.m is over the {hole.value:.1f} N.m that {engaged_mm:g} mm of {bolt} thread in {material} is sure to hold; "
                "lower the torque, or use a longer bolt or an insert."
            )
    return said


def _proof_words(thread: str, strength: str) -> str:
    return "proof load" if strength_of(read_thread(thread), strength).is_proof else "0.2 percent proof stress"
