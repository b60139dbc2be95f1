"""Numbers as people read them: rounded to what is known, never to a false zero.

A value below its resolution prints as "< 0.01", a share that is not all prints as
"> 99", a number that could not be had prints as a dash. The minus sign is the
typographic one, so text made here is for eyes, not for parsing.
"""

import math

#: Printed where there is no number.
NOTHING = "–"


def decimals(resolution: float) -> int:
    """Give how many decimals show steps of ``resolution``, a power of ten.

    Examples
    --------
    >>> decimals(0.01), decimals(1.0), decimals(10.0)
    (2, 0, 0)
    """
    places = 0
    while resolution < 0.999 and places < 9:
        resolution *= 10.0
        places += 1
    return places


def amount(value: float, resolution: float) -> str:
    """Give a quantity that cannot be negative, such as a time or a coefficient.

    Examples
    --------
    >>> amount(0.874, 0.01), amount(0.0004, 0.01), amount(float("nan"), 0.01)
    ('0.87', '< 0.01', '–')
    """
    if not math.isfinite(value):
        return NOTHING
    if 0.0 < value < resolution:
        return f"< {resolution:.{decimals(resolution)}f}"
    return f"{value:.{decimals(resolution)}f}"


def level(value_db: float, resolution: float = 0.1) -> str:
    """Give a level or a difference of levels: zero is a reference there, not nothing.

    Examples
    --------
    >>> level(-4.32), level(-0.04), level(12.0, 1.0)
    ('−4.3', '0.0', '12')
    """
    if not math.isfinite(value_db):
        return NOTHING
    text = f"{value_db:.{decimals(resolution)}f}"
    if float(text) == 0.0:
        return text.lstrip("-")
    return text.replace("-", "−")


def change(value: float, resolution: float) -> str:
    """Give a difference with its sign; what rounds to nothing has none.

    Examples
    --------
    >>> change(0.124, 0.01), change(-1.26, 0.1), change(0.001, 0.01), change(float("nan"), 1.0)
    ('+0.12', '−1.3', '0.00', '–')
    """
    text = level(value, resolution)
    return f"+{text}" if math.isfinite(value) and text[0] != "−" and float(text) else text


def share_pct(share: float) -> str:
    """Give a share of one in per cent, without unit; never a false 0 or 100.

    Examples
    --------
    >>> share_pct(0.5), share_pct(0.9991), share_pct(0.001), share_pct(1.0)
    ('50', '> 99', '< 1', '100')
    """
    if not math.isfinite(share):
        return NOTHING
    if 0.0 < share < 0.01:
        return "< 1"
    if 0.99 < share < 1.0:
        return "> 99"
    return f"{100.0 * share:.0f}"


def index_of_one(value: float) -> str:
    """Give an index from 0 to 1 to two decimals; never a false 0 or 1.

    Examples
    --------
    >>> index_of_one(0.714), index_of_one(0.998), index_of_one(1.0)
    ('0.71', '> 0.99', '1.00')
    """
    if 0.995 <= value < 1.0:
        return "> 0.99"
    return amount(value, 0.01)


def plus_minus(error: float, resolution: float) -> str:
    """Give one standard error after a plus-minus sign, or nothing if it is unknown.

    Examples
    --------
    >>> plus_minus(0.018, 0.01), plus_minus(0.0, 0.01), plus_minus(float("nan"), 0.01)
    ('± 0.02', '± < 0.01', '')
    """
    if not math.isfinite(error):
        return ""
    if error < resolution:
        return f"± < {resolution:.{decimals(resolution)}f}"
    return f"± {error:.{decimals(resolution)}f}"


def with_error(value: float, error: float, resolution: float, unit: str = "") -> str:
    """Give a quantity with unit and standard error, for a sentence.

    Examples
    --------
    >>> with_error(0.874, 0.018, 0.01, "s"), with_error(0.874, 0.0, 0.01, "s")
    ('0.87 s (± 0.02)', '0.87 s (± less than 0.01)')
    """
    if not math.isfinite(value):
        return NOTHING
    return beside(f"{amount(value, resolution)} {unit}".rstrip(), error, resolution)


def beside(text: str, error: float, resolution: float) -> str:
    """Give a printed number with its standard error in brackets, for a sentence."""
    spread = plus_minus(error, resolution).replace("<", "less than")
    return f"{text} ({spread})" if spread and text != NOTHING else text


def band_name(label: str) -> str:
    """Give a band's nominal name with its unit.

    Examples
    --------
    >>> band_name("63"), band_name("1.25k")
    ('63 Hz', '1.25 kHz')
    """
    return f"{label[:-1]} kHz" if label.endswith("k") else f"{label} Hz"


def frequency(freq_hz: float) -> str:
    """Give a frequency with its unit, to two or three figures; below 0.5 Hz there is none.

    Examples
    --------
    >>> frequency(382.3), frequency(51.97), frequency(1995.3), frequency(0.0)
    ('380 Hz', '52 Hz', '2 kHz', '–')
    """
    if not (math.isfinite(freq_hz) and freq_hz >= 0.5):
        return NOTHING
    if freq_hz < 100.0:
        return f"{freq_hz:.0f} Hz"
    if freq_hz < 1000.0:
        return f"{round(freq_hz, -1):.0f} Hz"
    return f"{round(freq_hz / 1000.0, 1):g} kHz"
