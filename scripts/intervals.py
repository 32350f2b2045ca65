"""Shares and rates with the interval that their counting allows, for the tables of the benchmarks. Needs scipy."""

from scipy.stats import binomtest, chi2


def wilson(hits: int, of: int) -> tuple[float, float]:
    """Wilson's 95 % interval of a share; 0 to 1 where there is nothing to count."""
    return _interval(hits, of, "wilson")


def upper(hits: int, of: int) -> float:
    """Upper end of Clopper and Pearson's 95 % interval; 1 where there is nothing to count."""
    return _interval(hits, of, "exact")[1]


def _interval(hits: int, of: int, method: str) -> tuple[float, float]:
    if of == 0:
        return 0.0, 1.0
    found = binomtest(hits, of).proportion_ci(method=method)
    return float(found.low), float(found.high)


def exact(hits: int, of: int) -> str:
    """Clopper and Pearson's 95 % interval of a share; for none, the one-sided bound at 95 %."""
    if of == 0:
        return "-"
    if hits == 0:
        return f"under {100 * (1 - 0.05 ** (1 / of)):.2f} % at 95 %"
    low, high = _interval(hits, of, "exact")
    return f"{100 * low:.2f}-{100 * high:.2f} %"


def share(hits: int, of: int) -> str:
    """A share in percent with its interval, for a table."""
    if of == 0:
        return f"{'-':>15}"
    low, high = wilson(hits, of)
    return f"{100 * hits / of:5.1f} {f'({100 * low:.0f}-{100 * high:.0f})':<9}"


def garwood(count: int, hours: float) -> str:
    """A rate an hour with its exact 95 % interval for counts."""
    low = chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    return f"{count / hours:.1f} an hour ({low / hours:.1f}-{chi2.ppf(0.975, 2 * count + 2) / 2 / hours:.1f})"
