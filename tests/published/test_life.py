"""Lives of parts against the NIST/SEMATECH e-Handbook, scipy, and the packages reliability and surpyval. Source beside each check."""

import math
import random
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import CensoredData, norm, weibull_min

from assistant.figures.life import Life, PartEvent, lives_from_records, lives_of, mean_life, rank_points, weibull_fit, weibull_picture
from assistant.figures.thread import FigureError

NIST_HOURS = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]


def lives(failed, suspended=()):
    return [Life("P104", "", hours, True) for hours in failed] + [Life("P104", "", hours, False) for hours in suspended]


NIST = lives(NIST_HOURS, [500] * 10)

# --- Weibull fit ---


# Source: NIST/SEMATECH e-Handbook 8.4.1.3 (page text seen): eta 606.528 h, beta 1.7208, -log likelihood 75.135, AIC 154.27, mean 540.737 h.
# Tolerances are the printed digits. B10 is not printed there: computed from eta and beta, 164.0229 h.
def test_nist_example():
    fit = weibull_fit(NIST)
    assert fit.eta.value == pytest.approx(606.528, abs=0.01)
    assert fit.beta.value == pytest.approx(1.7208, abs=0.0001)
    assert -fit.log_likelihood == pytest.approx(75.135, abs=0.001)
    assert 2 * 2 - 2 * fit.log_likelihood == pytest.approx(154.27, abs=0.01)
    assert fit.mean.value == pytest.approx(540.737, abs=0.02)
    assert fit.b10.value == pytest.approx(164.0229, abs=0.05)
    assert (fit.failures, fit.suspensions) == (10, 10)


# Source: definition of the Weibull distribution: F(eta) = 1 - 1/e = 0.632120559.
def test_share_failed():
    fit = weibull_fit(NIST)
    assert fit.share_failed(fit.eta.value) == pytest.approx(0.632120559, abs=1e-6)
    assert fit.life_at(fit.share_failed(300)).value == pytest.approx(300)
    assert fit.life_at(0.1) == fit.b10


MIXED = lives([1800, 2550, 2600, 3100, 3350], [1300, 500, 2100, 4000])
EARLY = lives([12, 40, 55, 230, 900, 2100, 2600])
SAMPLES = pytest.mark.parametrize("sample", [NIST, MIXED, EARLY], ids=["nist", "mixed", "early"])


# Independent: scipy.stats.weibull_min.fit with CensoredData, location 0; its search stops at about 1e-4.
@SAMPLES
def test_fit_by_scipy(sample):
    fit = weibull_fit(sample)
    data = CensoredData(uncensored=[life.hours for life in sample if life.failed], right=[life.hours for life in sample if not life.failed])
    beta, _, eta = weibull_min.fit(data, floc=0)
    assert (fit.beta.value, fit.eta.value) == (pytest.approx(beta, rel=1e-3), pytest.approx(eta, rel=1e-3))
    # No neighbour is more likely: ours is at least as good as what scipy found.
    assert fit.log_likelihood >= -weibull_min.nnlf((beta, 0, eta), [life.hours for life in sample if life.failed]) + weibull_min(beta, 0, eta).logsf([life.hours for life in sample if not life.failed]).sum() - 1e-9


# Independent: the package reliability, Fit_Weibull_2P: parameters, bounds of both from the Fisher information, and bounds on time at 10 and 50 %.
# Relative tolerance 2e-4: its search stops earlier, and it prints quantiles to six digits.
@SAMPLES
@pytest.mark.parametrize("confidence", [0.9, 0.95])
def test_fit_and_bounds_by_reliability(sample, confidence):
    fitters = pytest.importorskip("reliability.Fitters")
    theirs = fitters.Fit_Weibull_2P(
        failures=[life.hours for life in sample if life.failed], right_censored=[life.hours for life in sample if not life.failed] or None,
        CI=confidence, CI_type="time", quantiles=[0.1, 0.5], show_probability_plot=False, print_results=False,
    )  # fmt: skip
    fit = weibull_fit(sample, confidence)
    assert (fit.eta.value, fit.eta.low, fit.eta.high) == pytest.approx((theirs.alpha, theirs.alpha_lower, theirs.alpha_upper), rel=2e-4)
    assert (fit.beta.value, fit.beta.low, fit.beta.high) == pytest.approx((theirs.beta, theirs.beta_lower, theirs.beta_upper), rel=2e-4)
    assert fit.log_likelihood == pytest.approx(theirs.loglik, rel=1e-6)
    assert fit.mean.value == pytest.approx(theirs.distribution.mean, rel=2e-4)
    for share, row in zip((0.1, 0.5), theirs.quantiles.itertuples(), strict=True):
        found = fit.life_at(share)
        assert (found.low, found.value, found.high) == pytest.approx(row[2:5], rel=2e-4)


# Independent: the package surpyval, Weibull.fit by maximum likelihood; its search stops at about 1e-6.
@SAMPLES
def test_fit_by_surpyval(sample):
    surpyval = pytest.importorskip("surpyval")
    theirs = surpyval.Weibull.fit(x=[life.hours for life in sample], c=[0 if life.failed else 1 for life in sample])
    fit = weibull_fit(sample)
    assert (fit.eta.value, fit.beta.value) == pytest.approx(tuple(theirs.params), rel=1e-4)
    assert fit.mean.value == pytest.approx(theirs.mean(), rel=1e-4)


# Independent: the likelihood by scipy's own logpdf and logsf, written in (ln mean, ln beta) and differentiated numerically. Tolerance 1e-3.
@SAMPLES
def test_bounds_of_the_mean_by_differences(sample):
    fit = weibull_fit(sample, 0.9)
    failed, suspended = ([life.hours for life in sample if life.failed is wanted] for wanted in (True, False))

    def minus_log_likelihood(ln_mean, ln_beta):
        beta = math.exp(ln_beta)
        distribution = weibull_min(beta, scale=math.exp(ln_mean) / math.gamma(1 + 1 / beta))
        return -distribution.logpdf(failed).sum() - distribution.logsf(suspended).sum()

    at, step = np.log([fit.mean.value, fit.beta.value]), 1e-4
    moves = [np.array(each) * step for each in ((1, 0), (0, 1))]
    information = [[(minus_log_likelihood(*(at + a + b)) - minus_log_likelihood(*(at + a - b)) - minus_log_likelihood(*(at - a + b)) + minus_log_likelihood(*(at - a - b))) / (4 * step**2) for b in moves] for a in moves]
    spread = norm.ppf(0.95) * math.sqrt(np.linalg.inv(information)[0][0])
    assert math.log(fit.mean.high / fit.mean.value) == pytest.approx(spread, rel=1e-3)
    assert math.log(fit.mean.value / fit.mean.low) == pytest.approx(spread, rel=1e-3)


# Lives drawn from a known distribution, a third of them cut off: 2000 lives find it again within 5 %. Seeded.
def test_finds_a_known_distribution_again():
    chance = random.Random(4)
    drawn = [chance.weibullvariate(3000, 2.2) for _ in range(2000)]
    cut = [chance.uniform(500, 8000) for _ in drawn]
    fit = weibull_fit([Life("", "", min(life, end), life <= end) for life, end in zip(drawn, cut, strict=True)], 0.99)
    assert fit.eta.value == pytest.approx(3000, rel=0.05) and fit.beta.value == pytest.approx(2.2, rel=0.05)
    assert fit.eta.low < 3000 < fit.eta.high and fit.beta.low < 2.2 < fit.beta.high


HOURS = st.integers(1, 20_000)
SAMPLE = st.tuples(st.lists(HOURS, min_size=3, max_size=10), st.lists(HOURS, max_size=10))


def spread_enough(failed):
    assume(max(failed) > 1.01 * min(failed))


@settings(max_examples=60, deadline=None)
@given(SAMPLE, st.sampled_from([0.01, 7.5, 3600.0]), st.randoms())
def test_another_unit_of_time_changes_the_scale_only(sample, factor, chance):
    failed, suspended = sample
    spread_enough(failed)
    one = weibull_fit(lives(failed, suspended))
    mixed = lives([each * factor for each in failed], [each * factor for each in suspended])
    chance.shuffle(mixed)
    other = weibull_fit(mixed)
    assert other.beta.value == pytest.approx(one.beta.value, rel=1e-6)
    assert other.eta.value == pytest.approx(one.eta.value * factor, rel=1e-6)
    assert other.b10.low / other.b10.value == pytest.approx(one.b10.low / one.b10.value, rel=1e-5)


@settings(max_examples=60, deadline=None)
@given(SAMPLE)
def test_bounds_hold_the_estimate_and_widen_with_confidence(sample):
    spread_enough(sample[0])
    narrow, wide = weibull_fit(lives(*sample), 0.8), weibull_fit(lives(*sample), 0.95)
    for name in ("eta", "beta", "mean", "b10"):
        close, far = getattr(narrow, name), getattr(wide, name)
        assert far.low <= close.low <= close.value <= close.high <= far.high
    # At the maximum the transformed lives add up to the failures: the likelihood equation for eta.
    total = sum((hours / wide.eta.value) ** wide.beta.value for hours in [*sample[0], *sample[1]])
    assert total == pytest.approx(len(sample[0]), rel=1e-6)


@pytest.mark.parametrize(
    ("sample", "says"),
    [
        (lives([100, 200], [500]), "2 failures among 3 lives"),
        (lives([100]), "is 1 failure among"),
        (lives([], [500, 600]), "0 failures"),
        ([], "no life to work with"),
        (lives([500, 500, 500], [400]), "none ran longer"),
        (lives([100, 200, 0]), "cannot be"),
        (lives([100, 200, math.inf]), "cannot be"),
    ],
)
def test_fits_refused(sample, says):
    with pytest.raises(FigureError, match=says):
        weibull_fit(sample)


@pytest.mark.parametrize("confidence", [0, 1, 90, -0.1, math.nan])
def test_confidence_refused(confidence):
    for figure in (weibull_fit, mean_life):
        with pytest.raises(FigureError, match="not between 0 and 1"):
            figure(NIST, confidence)


# --- mean life ---


# Source: table of multipliers in NIST/SEMATECH e-Handbook 8.4.5.1, digits from memory (formula seen there): failures, 90 % two-sided lower and
# upper multiplier of the mean. Within one in the fourth place.
@pytest.mark.parametrize(("failures", "low", "high"), [(1, 0.2108, 19.4958), (2, 0.3177, 5.6281), (3, 0.3869, 3.6689), (4, 0.4370, 2.9276), (5, 0.4756, 2.5379)])
def test_mean_life_multipliers(failures, low, high):
    mean = mean_life(lives([100] * failures, [1000]), 0.9)
    assert (mean.low / mean.value, mean.high / mean.value) == (pytest.approx(low, abs=1.1e-4), pytest.approx(high, abs=1.1e-4))


# Source: MTBF = operating time / failures; numbers chosen here: 990 h with 5 failures is 198 h. Exact.
def test_mean_life():
    assert mean_life(lives([150, 200, 100, 240, 50], [250])).value == 198


# Independent: the Weibull fit with its shape held at 1 is this mean; by scipy's censored exponential fit.
def test_mean_life_by_scipy():
    from scipy.stats import expon

    data = CensoredData(uncensored=NIST_HOURS, right=[500] * 10)
    assert mean_life(NIST).value == pytest.approx(expon.fit(data, floc=0)[1], rel=1e-4)


# Source: NIST/SEMATECH e-Handbook 8.4.5.1 for no failures: T / -ln(alpha). By hand: 1000 h at 90 % is 1000 / 2.302585 = 434.3 h.
def test_no_failure_gives_only_a_lower_bound():
    with pytest.raises(FigureError, match="more than 434.3 h"):
        mean_life(lives([], [400, 600]), 0.9)


@given(SAMPLE, HOURS)
def test_a_longer_suspension_lengthens_the_mean(sample, hours):
    before, after = mean_life(lives(*sample)), mean_life(lives(sample[0], [*sample[1], hours]))
    assert after.value > before.value and before.low < before.value < before.high


# --- ranks ---


# Source: D. Kececioglu, Reliability and Life Testing Handbook vol. 2, table 3.1, as a web page quotes it with exact median ranks; Benard's formula
# is within 0.05 per cent of those.
def test_ranks_with_suspensions_between():
    points = rank_points(lives([5100, 15_000, 40_000], [9500, 22_000]))
    assert [hours for hours, _ in points] == [5100, 15_000, 40_000]
    assert [100 * share for _, share in points] == pytest.approx([12.94, 36.1, 70.84], abs=0.05)


# Source: a web page on median ranks: 43, 67, 92, 94, 149 cycles, and seven more that ran 149 without failing; printed to four places.
def test_ranks_with_suspensions_at_the_end():
    points = rank_points(lives([43, 67, 92, 94, 149], [149] * 7))
    assert [share for _, share in points] == pytest.approx([0.0565, 0.1371, 0.2177, 0.2984, 0.3790], abs=6e-5)


# Independent: plotting positions of the package reliability (adjusted ranks, Benard).
@SAMPLES
def test_ranks_by_reliability(sample):
    plotting = pytest.importorskip("reliability.Probability_plotting")
    hours, shares = plotting.plotting_positions(failures=[life.hours for life in sample if life.failed], right_censored=[life.hours for life in sample if not life.failed] or None, a=0.3, sort=True)
    assert [share for _, share in rank_points(sample)] == pytest.approx(list(shares), rel=1e-9)
    assert [at for at, _ in rank_points(sample)] == pytest.approx(list(hours))


@given(SAMPLE)
def test_ranks_rise_and_stay_inside(sample):
    points = rank_points(lives(*sample))
    assert len(points) == len(sample[0])
    assert all(earlier < later for (_, earlier), (_, later) in zip(points, points[1:], strict=False))
    assert all(0 < share < 1 for _, share in points)


# --- picture ---


def test_picture_is_png_or_svg():
    fit = weibull_fit(NIST)
    assert weibull_picture(NIST, fit).startswith(b"\x89PNG")
    page = weibull_picture(NIST, fit, "front diaphragm", "svg")
    assert ElementTree.fromstring(page).tag.endswith("svg")
    with pytest.raises(FigureError, match="png or svg"):
        weibull_picture(NIST, fit, form="gif")


# --- lives from events ---


def events(*rows):
    return [PartEvent("P104", "left", *row) for row in rows]


# Worked by hand: fitted at 100; failed at 2100 (2000 h) and 3900 (1800 h); changed though sound at 4500 (600 h); seen at 5200 (700 h so far).
def test_lives_by_hand():
    found = lives_of(events((50, False), (100, True), (900, False), (2100, True), (3900, True), (4500, True, False), (5200, False)))
    assert [(life.hours, life.failed) for life in found] == [(2000, True), (1800, True), (600, False), (700, False)]


def test_each_place_has_its_own_lives():
    rows = [PartEvent("P1", "left", 0, True), PartEvent("P1", "right", 0, True), PartEvent("P2", "left", 0, True), PartEvent("P1", "left", 10, True), PartEvent("P2", "left", 30, True), PartEvent("P1", "right", 40, False)]
    assert [(life.asset, life.place, life.hours, life.failed) for life in lives_of(rows)] == [("P1", "left", 10, True), ("P2", "left", 30, True), ("P1", "right", 40, False)]


# A replacement at an unread meter: what ran before is known up to 900 h only, and the new part's start is unknown.
def test_an_unread_meter_breaks_the_chain():
    found = lives_of(events((0, True), (900, False), (None, False), (None, True), (2000, False), (2500, True), (3000, True)))
    assert [(life.hours, life.failed) for life in found] == [(900, False), (500, True)]


def test_what_was_there_before_is_of_unknown_age():
    assert lives_of(events((500, True))) == [] == lives_of(events((500, False), (900, False)))


@given(st.lists(st.tuples(st.integers(1, 5000), st.booleans(), st.booleans()), min_size=1, max_size=20))
def test_lives_fill_the_time_from_the_first_new_part_to_the_last_reading(steps):
    hours = np.cumsum([gap for gap, _, _ in steps])
    rows = [(float(at), replaced, failed) for at, (_, replaced, failed) in zip(hours, steps, strict=True)]
    found = lives_of(events(*rows))
    new = [at for at, replaced, _ in rows if replaced]
    assert sum(life.hours for life in found) == pytest.approx(rows[-1][0] - new[0] if new else 0)
    assert sum(life.failed for life in found) == sum(replaced and failed for at, replaced, failed in rows if new and at > new[0])


@pytest.mark.parametrize(
    ("rows", "says"),
    [([(100, True), (90, False)], "runs backward, from 100 to 90"), ([(100, True), (100, True)], "replaced twice at 100 h"), ([(-1, True)], "cannot read -1"), ([(math.nan, True)], "no number"), ([(100, True), (None, True), (50, False)], "runs backward")],
)
def test_events_refused(rows, says):
    with pytest.raises(FigureError, match=says):
        lives_of(events(*rows))


# --- lives from service records ---


def record(day, hours, source=None, condition=None, status="closed", asset="P104", **row):
    value = {"quantity": "running hours", "value": hours, "unit": "h", "si_value": 3600 * (hours or 0), "si_unit": "s", "seq": 5, "corrected_by": None}
    return {
        "job": f"{day}-{asset}-01", "asset": asset, "status": status, "started": f"{day}T08:00:00.000Z",
        "steps": [{"values": [] if hours is None else [{**value, "value": 1, "si_value": 3600, "seq": 4, "corrected_by": 5}, value]}],
        "parts": [{"part": "front diaphragm", "count": 2, "from": source or "the same pump", **row}],
        "findings": [] if condition is None else [{"part": "front diaphragm", "condition": condition, "corrected_by": None}],
    }  # fmt: skip


def test_lives_from_records_by_hand():
    records = [record("2026-05-01", 3900, "wet-kit"), record("2026-01-01", 100, "wet-kit"), record("2026-03-01", 2100, "wet-kit"), record("2026-06-01", 9999, "wet-kit", status="open"), record("2026-05-20", 4000)]
    assert [(life.hours, life.failed) for life in lives_from_records(records, "Front  Diaphragm")] == [(2000, True), (1800, True), (100, False)]


def test_findings_tell_failures_from_whole_kits():
    records = [record("2026-01-01", 100, "wet-kit"), record("2026-03-01", 2100, "wet-kit", "sound"), record("2026-05-01", 3900, "wet-kit", "cut or torn"), record("2026-07-01", 5000, "wet-kit")]
    assert [(life.hours, life.failed) for life in lives_from_records(records, "front diaphragm", found_failed=True)] == [(2000, False), (1800, True), (1100, False)]


def test_places_of_a_record_are_kept_apart():
    records = [record("2026-01-01", 0, "wet-kit", place="left"), record("2026-03-01", 700, "wet-kit", place="left"), record("2026-05-01", 900, "wet-kit", place="right")]
    assert [(life.place, life.hours, life.failed) for life in lives_from_records(records, "front diaphragm")] == [("left", 700, True), ("left", 200, False)]


def test_a_job_without_hours_breaks_the_chain():
    records = [record("2026-01-01", 100, "wet-kit"), record("2026-03-01", None, "wet-kit"), record("2026-05-01", 3000, "wet-kit"), record("2026-07-01", 3500, "wet-kit")]
    assert [(life.hours, life.failed) for life in lives_from_records(records, "front diaphragm")] == [(500, True)]


def test_records_refused():
    with pytest.raises(FigureError, match="the records name front diaphragm"):
        lives_from_records([record("2026-01-01", 100, "wet-kit")], "rod")
    with pytest.raises(FigureError, match="no closed job has put in any part"):
        lives_from_records([], "rod")
