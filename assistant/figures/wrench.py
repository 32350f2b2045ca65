"""What to set on a torque wrench that drives through a crowfoot or an extension, and whether that setting is on its scale."""

import math
from dataclasses import dataclass

from assistant.figures.checks import finite
from assistant.figures.thread import FigureError
from assistant.figures.working import Result, require_positive

LEAST_ARM = 0.01
"""Share of the wrench's own arm below which nothing is worked out: the hand is then over the bolt and the click says nothing."""


def wrench_setting(torque_nm: float, wrench_length_mm: float, offset_mm: float, angle_deg: float) -> Result:
    """Setting, N.m, that puts `torque_nm` on the bolt: T L / (L + E cos angle), after published worked examples of adapters.

    `wrench_length_mm` is L, from the middle of the grip to the square drive; `offset_mm` is E, from the drive to the bolt, 0 without
    an adapter; `angle_deg` is 0 straight ahead, 90 across (which changes nothing), 180 folded back over the handle.
    Raises FigureError.
    """
    require_positive(torque=torque_nm)
    share, lines = _arm_share(wrench_length_mm, offset_mm, angle_deg)
    setting = torque_nm / share
    arm = wrench_length_mm * share
    formula = f"Setting = T L / (L + E cos a) = {torque_nm:g} x {wrench_length_mm:g} / {arm:.4g} = {setting:.4g} N.m (published worked examples)"
    return Result(setting, "N.m", (*lines, formula, "This holds for a hand at the middle of the grip; a hand elsewhere is another L"))


def torque_at_bolt(setting_nm: float, wrench_length_mm: float, offset_mm: float, angle_deg: float) -> Result:
    """Torque on the bolt, N.m, when the wrench clicks at `setting_nm`: the reverse of `wrench_setting`. Raises FigureError."""
    require_positive(setting=setting_nm)
    share, lines = _arm_share(wrench_length_mm, offset_mm, angle_deg)
    torque = setting_nm * share
    formula = f"Torque = setting (L + E cos a) / L = {setting_nm:g} x {wrench_length_mm * share:.4g} / {wrench_length_mm:g} = {torque:.4g} N.m (published worked examples)"
    return Result(torque, "N.m", (*lines, formula))


def _arm_share(length: float, offset: float, angle: float) -> tuple[float, tuple[str, ...]]:
    """(arm at the bolt over arm at the drive, the working so far)."""
    require_positive(wrench_length=length)
    finite(offset=offset, angle=angle)
    # Rounded so that 90 degrees is exactly nothing and 120 exactly half.
    reach = offset * round(math.cos(math.radians(angle)), 12)
    arm = length + reach
    if arm < LEAST_ARM * length:
        raise FigureError(
            f"An adapter of {offset:g} mm at {angle:g} degrees leaves no arm on a wrench of {length:g} mm; use a shorter adapter or turn it to 90 degrees."
        )
    return arm / length, (
        f"Arm of the wrench L = {length:g} mm, from the middle of the grip to the drive",
        f"Adapter E = {offset:g} mm at {angle:g} deg (0 straight ahead, 90 across, 180 folded back): E cos a = {reach:.4g} mm",
        f"Arm at the bolt L + E cos a = {arm:.4g} mm",
    )


@dataclass(frozen=True)
class RangeVerdict:
    """Whether a setting is on the useful scale of a wrench."""

    inside: bool
    """True from the least to full scale, both counted in."""
    words: str
    """The same in one sentence."""
    least: float
    """Least setting to be trusted, in the unit of the setting."""


def in_range(setting: float, least: float | None, most: float, unit: str = "N.m") -> RangeVerdict:
    """Whether `setting` lies from the wrench's least to `most`, its full scale; all in `unit`.

    Under 20 % of full scale a click wrench is not to be trusted (common practice, and where ISO 6789 starts to test, from memory);
    `least`, as marked on the wrench, counts where it is higher. Raises FigureError.
    """
    require_positive(setting=setting, full_scale=most)
    if least is not None and not 0 <= least <= most:
        raise FigureError(f"The least setting of {least:g} {unit} is not between 0 and full scale, {most:g} {unit}; check the wrench's scale.")
    # A division, because 0.2 x 35 is a little over 7.
    fifth = most / 5
    floor = fifth if least is None else max(fifth, least)
    if setting > most:
        return RangeVerdict(False, f"{setting:.4g} {unit} is over full scale, {most:g} {unit}; take a larger wrench.", floor)
    if setting < floor:
        why = "20 % of full scale" if floor == fifth else "the least it is marked for"
        return RangeVerdict(False, f"{setting:.4g} {unit} is under {floor:g} {unit}, {why}; take a smaller wrench.", floor)
    return RangeVerdict(True, f"{setting:.4g} {unit} is on the scale, which can be trusted from {floor:g} to {most:g} {unit}.", floor)
