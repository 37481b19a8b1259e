"""How modes are written where there is little room."""

from __future__ import annotations

from viewer.science.measure.mode import Mode, Modes
from viewer.science.measure.ruler import format_length, format_percent


def value(mode: Mode) -> str:
    """The mode in %, with as many places as its interval deserves."""
    return _split(mode.area, mode.low, mode.high)[0]


def interval(mode: Mode) -> str:
    """Its 95 % interval: ``± 1.2`` where that is even, else ``5.9–13.4``."""
    text = _split(mode.area, mode.low, mode.high)[1].replace(" to ", "–")
    return f"≥ {text}" if mode.limited and text else text


def weight(mode: Mode) -> str:
    """Weight % with as many places as its interval deserves; empty without a density."""
    if mode.weight is None:
        return ""
    return _split(mode.weight, mode.weight_low, mode.weight_high)[0]


def number(n: float | None) -> str:
    """An effective number, to two significant digits, as more are not known: ``91``, ``9.0k``."""
    if n is None:
        return ""
    rounded = float(f"{n:.1e}")
    if rounded < 1000:
        return f"{rounded:.0f}"
    unit, size = next(
        ((u, s) for u, s in (("k", 1e3), ("M", 1e6)) if rounded < 1000 * s), ("G", 1e9)
    )
    return f"{rounded / size:.1f}{unit}" if rounded < 10 * size else f"{rounded / size:.0f}{unit}"


def _split(centre: float, low: float | None, high: float | None) -> tuple[str, str]:
    if low is None or high is None:
        return format_percent(centre, centre, centre, "").strip(), ""
    text = format_percent(centre, low, high, "").strip()
    if "±" in text:
        first, _, half = text.partition("±")
        return first.strip(), f"± {half.strip()}"
    first, _, ends = text.partition("(")
    return first.strip(), ends.rstrip(")").strip()


def sentence(mode: Mode, found: Modes) -> str:
    """Everything about a mode, a line each."""
    lines = [f"{mode.phase}: {value(mode)} area %"]
    if mode.low is not None and mode.high is not None:
        limit = " (a lower limit)" if mode.limited else ""
        lines.append(f"95 % interval {mode.low:.3g} to {mode.high:.3g} %{limit}")
    if mode.why:
        lines.append(mode.why)
    lines.append(f"edge pixels: {mode.edge_low:.3g} to {mode.edge_high:.3g} %")
    if mode.total_low is not None and mode.total_high is not None:
        lines.append(f"both together: {mode.total_low:.3g} to {mode.total_high:.3g} %")
    if mode.weight is not None:
        text = f"{weight(mode)} weight %"
        if mode.weight_low is not None and mode.weight_high is not None:
            text += f", {mode.weight_low:.3g} to {mode.weight_high:.3g}"
        lines.append(text)
    lines.append(f"{mode.pixels:,} of {found.counted:,} sorted pixels")
    if mode.n_eff is not None:
        lines.append(f"worth about {float(f'{mode.n_eff:.1e}'):,.0f} independent points")
    if mode.reach_um is not None:
        reach = format_length(mode.reach_um, mode.reach_um, mode.reach_um)
        lines.append(f"its pixels know of each other up to {reach}")
    naive = f"{mode.binomial_low:.4g} to {mode.binomial_high:.4g} %"
    lines.append(f"as if every pixel were independent: {naive}")
    return "\n".join(lines)
