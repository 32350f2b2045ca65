"""How long a part lives: lives and suspensions from jobs, the mean life, and a Weibull fit with its bounds."""

import io
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from assistant.figures.checks import finite
from assistant.figures.thread import FigureError
from assistant.figures.working import Result

LEAST_FAILURES = 3
"""Fewer say nothing about a shape: two points lie on every line. Common practice, no source."""
HOURS_QUANTITY = "running hours"
"""The quantity of the hour meter's reading in a service record."""
OLD_PART = "the same pump"
"""Where a service record says an old part that went back came from."""


@dataclass(frozen=True)
class PartEvent:
    """A part looked at, or replaced, at one job."""

    asset: str
    """Tag of the machine."""
    place: str
    """Where in the machine, such as left; empty where there is but one."""
    hours: float | None
    """The machine's hour meter; None where nobody read it."""
    replaced: bool
    """Whether a new part went in."""
    failed: bool = True
    """For a replaced part: False when it was still sound and changed for another reason."""


@dataclass(frozen=True)
class Life:
    """Hours one part ran."""

    asset: str
    """Tag of the machine."""
    place: str
    """Where in the machine."""
    hours: float
    """From fitting to the end of what is known, h."""
    failed: bool
    """False for a suspension: it had run so long without failing."""


def lives_of(events: Iterable[PartEvent]) -> list[Life]:
    """Lives and suspensions, in the order in which they ended. Raises FigureError where a meter runs backward or a life has no hours.

    The events of one asset and place come in the order of time. A life runs from one replacement to the next; what was in the machine
    before the first is of unknown age and left out. After the last, what has been read since counts as a suspension. A replacement at an
    unread meter ends what is known at the reading before it.
    """
    open_lives: dict[tuple[str, str], tuple[float | None, float | None]] = {}
    lives: list[Life] = []
    for event in events:
        key = event.asset, event.place
        fitted, last = open_lives.get(key, (None, None))
        if event.hours is not None:
            _must_follow(event, last)
        if not event.replaced:
            open_lives[key] = (fitted, last if event.hours is None else event.hours)
            continue
        if event.hours is None:
            _suspend(lives, key, fitted, last)
        elif fitted is not None:
            if event.hours == fitted:
                raise FigureError(f"The part of {_at(event)} was replaced twice at {fitted:g} h; keep one of the two, or mend the hours.")
            lives.append(Life(*key, event.hours - fitted, event.failed))
        # Without a reading now, the new part's age stays unknown; the meter itself must still not run backward.
        open_lives[key] = (event.hours, last if event.hours is None else event.hours)
    for key, (fitted, last) in open_lives.items():
        _suspend(lives, key, fitted, last)
    return lives


def lives_from_records(records: Sequence[Mapping[str, Any]], part: str, found_failed: bool = False) -> list[Life]:
    """Lives of `part` (its name, capitals ignored) from service records, in JSON form, of closed jobs; open ones are passed over.

    The hour meter is the last uncorrected value of the quantity "running hours"; a part is replaced where the record's parts list it from
    a kit. `found_failed`: a replaced part counts as failed only where a finding of that job names it with another condition than sound;
    otherwise every replacement counts as a failure, which makes lives look short where kits are fitted whole. Parts of one machine are
    taken as one, unless the record says their place. Raises FigureError where no closed job lists the part, or the meter runs backward.
    """
    wanted = " ".join(part.split()).casefold()
    closed = sorted((record for record in records if record.get("status") == "closed"), key=lambda record: str(record.get("started", "")))
    names = {str(row["part"]) for record in closed for row in record.get("parts", ())}
    if wanted not in {name.casefold() for name in names}:
        known = f"the records name {', '.join(sorted(names))}" if names else "no closed job has put in any part"
        raise FigureError(f"No closed job has put in a part called {part!r}; {known}.")
    places: dict[str, dict[str, None]] = {}
    for record in closed:
        for row in record.get("parts", ()):
            if str(row["part"]).casefold() == wanted:
                places.setdefault(record["asset"], {})[str(row.get("place", ""))] = None
    events = []
    for record in closed:
        hours = _meter(record)
        new = {str(row.get("place", "")) for row in record.get("parts", ()) if str(row["part"]).casefold() == wanted and row.get("from", OLD_PART) != OLD_PART}
        failed = not found_failed or _found_failed(record, wanted)
        events += [PartEvent(record["asset"], place, hours, place in new, failed) for place in places.get(record["asset"], {})]
    return lives_of(events)


@dataclass(frozen=True)
class MeanLife(Result):
    """Mean life in h with an interval."""

    low: float
    """h."""
    high: float
    """h."""
    confidence: float
    """Share of such intervals that hold the true mean, 0 to 1."""
    failures: int
    """How many failed."""


def mean_life(lives: Sequence[Life], confidence: float = 0.9) -> MeanLife:
    """Total hours by failures, with the chi-square interval of 2r and 2r + 2 degrees; NIST/SEMATECH e-Handbook 8.4.5.1.

    Right for a failure rate that does not change with age; a part that wears is better served by `weibull_fit`, a guide for few failures
    all the same. Raises FigureError where nothing failed (it then says what is known) or the confidence is not over 0 and under 1.
    """
    _share(confidence)
    _must_have_lives(lives)
    from scipy.stats import chi2

    total = math.fsum(life.hours for life in lives)
    failures = sum(life.failed for life in lives)
    alpha = 1 - confidence
    if not failures:
        least = total / -math.log(alpha)
        raise FigureError(f"No part has failed in {total:g} h, so there is no mean life yet; with {confidence:.0%} confidence it is more than {least:.4g} h: go on collecting.")
    mean = total / failures
    low, high = 2 * total / chi2.ppf(1 - alpha / 2, 2 * failures + 2), 2 * total / chi2.ppf(alpha / 2, 2 * failures)
    lines = (
        f"{len(lives)} lives: {failures} failed, {len(lives) - failures} suspended; {total:g} h in all",
        f"Mean life = {total:g} h / {failures} = {mean:.4g} h (constant failure rate)",
        f"{confidence:.0%} interval {low:.4g} to {high:.4g} h (chi-square with {2 * failures + 2} and {2 * failures} degrees; NIST/SEMATECH e-Handbook 8.4.5.1)",
    )
    return MeanLife(mean, "h", lines, float(low), float(high), confidence, failures)


@dataclass(frozen=True)
class Estimate:
    """A fitted figure with its bounds."""

    value: float
    """Best estimate."""
    low: float
    """Lower bound."""
    high: float
    """Upper bound."""


@dataclass(frozen=True)
class WeibullFit:
    """Two-parameter Weibull distribution, F(t) = 1 - exp(-(t/eta)^beta), fitted by greatest likelihood with suspensions."""

    eta: Estimate
    """Characteristic life, h: 63.2 % have failed by then."""
    beta: Estimate
    """Shape: under 1 early failures, 1 a constant rate, over 1 wear."""
    mean: Estimate
    """Mean life, h."""
    b10: Estimate
    """Life by which 10 % have failed, h."""
    log_likelihood: float
    """Natural logarithm, hours as unit."""
    covariance: tuple[float, float, float]
    """Of (ln eta, ln beta): variance, covariance, variance; from the observed Fisher information."""
    confidence: float
    """Of all bounds, 0 to 1, both sides together."""
    failures: int
    """How many failed."""
    suspensions: int
    """How many had not."""
    lines: tuple[str, ...]
    """The working."""

    def share_failed(self, hours: float) -> float:
        """Share failed by then, 0 to 1."""
        return -math.expm1(-((hours / self.eta.value) ** self.beta.value))

    def life_at(self, share: float) -> Estimate:
        """Life in h by which a share, over 0 and under 1, has failed: 0.1 for B10. Raises FigureError."""
        _share(share)
        w = math.log(-math.log1p(-share))
        beta = self.beta.value
        return self._bounded(self.eta.value * math.exp(w / beta), 1.0, -w / beta)

    def _bounded(self, value: float, by_ln_eta: float, by_ln_beta: float) -> Estimate:
        """Bounds on the logarithm of a value by its slopes against ln eta and ln beta."""
        from scipy.special import ndtri

        eta_eta, eta_beta, beta_beta = self.covariance
        variance = by_ln_eta**2 * eta_eta + 2 * by_ln_eta * by_ln_beta * eta_beta + by_ln_beta**2 * beta_beta
        factor = math.exp(float(ndtri((1 + self.confidence) / 2)) * math.sqrt(variance))
        return Estimate(value, value / factor, value * factor)


def weibull_fit(lives: Sequence[Life], confidence: float = 0.9) -> WeibullFit:
    """Fit by greatest likelihood; bounds from the Fisher information of the logarithms (Meeker and Escobar, ch. 8, from memory).

    With few failures the shape comes out too high and the bounds too narrow. Raises FigureError with fewer than three failures, where
    all lives that failed are the same, or the confidence is not over 0 and under 1.
    """
    _share(confidence)
    _must_have_lives(lives)
    failures = sum(life.failed for life in lives)
    if failures < LEAST_FAILURES:
        raise FigureError(
            f"There {'is' if failures == 1 else 'are'} {failures} failure{'' if failures == 1 else 's'} among {len(lives)} lives, and a Weibull fit needs {LEAST_FAILURES} or more: with fewer any shape fits; use the mean life, and go on collecting."
        )
    beta = _shape([life.hours for life in lives], [life.hours for life in lives if life.failed])
    eta = _scale(lives, failures, beta)
    # Observed information of (ln eta, ln beta) at the maximum, with z = beta ln(t/eta): there the sum of exp z is the failures.
    z = [beta * math.log(life.hours / eta) for life in lives]
    first = math.fsum(each * math.exp(each) for each in z)
    second = math.fsum(each**2 * math.exp(each) for each in z)
    determinant = beta**2 * (failures * (failures + second) - first**2)
    covariance = ((failures + second) / determinant, beta * first / determinant, beta**2 * failures / determinant)
    likelihood = math.fsum(math.log(beta / life.hours) + each for life, each in zip(lives, z, strict=True) if life.failed) - failures
    return _fit(eta, beta, covariance, likelihood, confidence, failures, len(lives) - failures)


def rank_points(lives: Sequence[Life]) -> list[tuple[float, float]]:
    """(hours, share failed) of each failure, by Johnson's adjusted ranks and Benard's (i - 0.3) / (n + 0.4); both from memory.

    Suspensions at the hours of a failure count as having outlived it. Raises FigureError without lives.
    """
    _must_have_lives(lives)
    order, rank, points = sorted(lives, key=lambda life: (life.hours, not life.failed)), 0.0, []
    for at, life in enumerate(order):
        if life.failed:
            rank += (len(order) + 1 - rank) / (len(order) - at + 1)
            points.append((life.hours, (rank - 0.3) / (len(order) + 0.4)))
    return points


def weibull_picture(lives: Sequence[Life], fit: WeibullFit, title: str = "", form: Literal["png", "svg"] = "png") -> bytes:
    """The fit on Weibull paper as PNG or SVG bytes: failures at their median ranks, the line, its bounds on time. Raises FigureError."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter, NullFormatter

    if form not in ("png", "svg"):
        raise FigureError(f"A picture is written as png or svg, not {form!r}; choose one of these.")
    points = rank_points(lives)
    shares = [0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.632, 0.8, 0.9, 0.95, 0.99]
    on_paper = [math.log(-math.log1p(-share)) for share in shares]
    at = [fit.life_at(share) for share in shares]
    figure = Figure(figsize=(7, 5), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.fill_betweenx(on_paper, [each.low for each in at], [each.high for each in at], color="0.85", label=f"{fit.confidence:.0%} bounds on life")
    axes.plot([each.value for each in at], on_paper, color="black", label=f"Weibull, eta {fit.eta.value:.4g} h, beta {fit.beta.value:.3g}")
    axes.plot([hours for hours, _ in points], [math.log(-math.log1p(-share)) for _, share in points], "o", color="tab:red", label="failures, median ranks")
    # Suspensions have no rank; marks at the foot show how long they have run.
    axes.plot([life.hours for life in lives if not life.failed], [on_paper[0]] * fit.suspensions, "|", color="tab:blue", markersize=12, label="did not fail")
    axes.set(xscale="log", xlabel="running hours", ylabel="share failed, per cent", title=title, ylim=(on_paper[0], on_paper[-1]))
    axes.set_yticks(on_paper, [f"{100 * share:g}" for share in shares])
    axes.xaxis.set_major_formatter(FuncFormatter(lambda hours, _: f"{hours:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="both", linewidth=0.3)
    axes.legend(loc="upper left")
    page = io.BytesIO()
    figure.savefig(page, format=form, dpi=120)
    return page.getvalue()


def _shape(all_hours: Sequence[float], failed_hours: Sequence[float]) -> float:
    """The one root of the likelihood's slope in beta."""
    from scipy.optimize import brentq

    longest = max(all_hours)
    if all(hours == longest for hours in failed_hours):
        raise FigureError(f"All parts that failed did so at {longest:g} h, and none ran longer, so no spread can be fitted; check the hours.")
    # Hours as shares of the longest: their powers stay below 1 however steep the shape.
    logs = [math.log(hours / longest) for hours in all_hours]
    mean_log = math.fsum(math.log(hours / longest) for hours in failed_hours) / len(failed_hours)

    def slope(beta: float) -> float:
        weights = [math.exp(beta * each) for each in logs]
        return 1 / beta + mean_log - math.fsum(weight * each for weight, each in zip(weights, logs, strict=True)) / math.fsum(weights)

    low, high = 1e-3, 1.0
    while slope(high) > 0:
        high *= 2
        if high > 1e6:
            raise FigureError("The parts that failed did so at nearly the same hours, so no spread can be fitted; check the hours.")
    while slope(low) < 0:
        low /= 2
    return float(brentq(slope, low, high, xtol=1e-13, rtol=1e-14))


def _scale(lives: Sequence[Life], failures: int, beta: float) -> float:
    longest = max(life.hours for life in lives)
    return longest * (math.fsum((life.hours / longest) ** beta for life in lives) / failures) ** (1 / beta)


def _fit(eta: float, beta: float, covariance: tuple[float, float, float], likelihood: float, confidence: float, failures: int, suspensions: int) -> WeibullFit:
    from scipy.special import digamma, gamma

    nothing = Estimate(eta, eta, eta)
    bare = WeibullFit(nothing, Estimate(beta, beta, beta), nothing, nothing, likelihood, covariance, confidence, failures, suspensions, ())
    eta_bounds, beta_bounds = bare._bounded(eta, 1, 0), bare._bounded(beta, 0, 1)
    # d ln mean / d ln beta = -digamma(1 + 1/beta) / beta.
    mean = bare._bounded(eta * float(gamma(1 + 1 / beta)), 1, -float(digamma(1 + 1 / beta)) / beta)
    b10 = bare.life_at(0.1)
    kind = "early failures" if beta_bounds.high < 1 else "wear" if beta_bounds.low > 1 else "a constant rate cannot be ruled out"
    lines = [
        f"{failures + suspensions} lives: {failures} failed, {suspensions} suspended",
        f"Shape beta = {beta:.4g} ({beta_bounds.low:.3g} to {beta_bounds.high:.3g}): {kind}",
        f"Characteristic life eta = {eta:.4g} h ({eta_bounds.low:.4g} to {eta_bounds.high:.4g})",
        f"Mean life = eta Gamma(1 + 1/beta) = {mean.value:.4g} h ({mean.low:.4g} to {mean.high:.4g})",
        f"B10 = eta (-ln 0.9)^(1/beta) = {b10.value:.4g} h ({b10.low:.4g} to {b10.high:.4g})",
        f"Greatest likelihood with suspensions; bounds {confidence:.0%}, from the Fisher information (Meeker and Escobar, ch. 8, from memory)",
    ]
    if failures < 10:
        lines.append(f"{failures} failures are few: the shape comes out too high and the bounds too narrow")
    return WeibullFit(eta_bounds, beta_bounds, mean, b10, likelihood, covariance, confidence, failures, suspensions, tuple(lines))


def _suspend(lives: list[Life], key: tuple[str, str], fitted: float | None, last: float | None) -> None:
    if fitted is not None and last is not None and last > fitted:
        lives.append(Life(*key, last - fitted, failed=False))


def _must_follow(event: PartEvent, last: float | None) -> None:
    finite(hour_meter=event.hours)
    if event.hours < 0:
        raise FigureError(f"The hour meter of {_at(event)} cannot read {event.hours:g} h; check that row.")
    if last is not None and event.hours < last:
        raise FigureError(f"The hour meter of {_at(event)} runs backward, from {last:g} to {event.hours:g} h; put the rows in the order of time, or give a new meter a new tag.")


def _at(event: PartEvent) -> str:
    return f"{event.asset}, {event.place}" if event.place else event.asset


def _must_have_lives(lives: Sequence[Life]) -> None:
    if not lives:
        raise FigureError("There is no life to work with: it takes two replacements of the same part, or one and a later reading of the hours.")
    for life in lives:
        if not (math.isfinite(life.hours) and life.hours > 0):
            raise FigureError(f"A life of {life.hours:g} h ({life.asset}) cannot be; check its hours.")


def _share(share: float) -> None:
    if not 0 < share < 1:
        raise FigureError(f"A share of {share:g} is not between 0 and 1; write 90 % as 0.9.")


def _meter(record: Mapping[str, Any]) -> float | None:
    readings = [value for step in record.get("steps", ()) for value in step.get("values", ()) if str(value.get("quantity", "")).lower() == HOURS_QUANTITY and not value.get("corrected_by")]
    if not readings:
        return None
    last = max(readings, key=lambda value: value.get("seq", 0))
    return last["si_value"] / 3600 if last.get("si_unit") == "s" and last.get("unit") != "h" else last["value"]


def _found_failed(record: Mapping[str, Any], wanted: str) -> bool:
    return any(str(finding.get("part", "")).casefold() == wanted and finding.get("condition") != "sound" and not finding.get("corrected_by") for finding in record.get("findings", ()))
