"""Air, bands and settings as a scene file gives them; absent keys keep the defaults."""

from raysim.scene.model import Air, Bands, Settings
from raysim.scene.table import Table

_FRACTION = {"octave": 1, "third": 3}
#: What a run can be asked for, here and on the command line.
SEED = (0, 2**53)
RAYS = (100, 10**9)
UNTIL_T30_PCT = (0.1, 50.0)
CROSSOVER_HZ = (100.0, 1000.0)
_SAMPLE_RATES_HZ = (44_100, 48_000, 96_000)


def read_bands(outer: Table) -> Bands:
    """Read the table ``[bands]``."""
    table = outer.table("bands")
    if table is None:
        return Bands()
    width = table.word("width", tuple(_FRACTION), required=True)
    table.close()
    return Bands(_FRACTION[width or "octave"])


def read_air(outer: Table) -> Air:
    """Read the table ``[air]``; its limits are those of ISO 9613-1."""
    table = outer.table("air")
    if table is None:
        return Air()
    usual = Air()
    temperature_c = table.number("temperature_c", -20.0, 50.0, "degrees Celsius")
    humidity_pct = table.number(
        "humidity_pct",
        10.0,
        100.0,
        hint="Give per cent, 10 to 100, not a fraction: 50, not 0.5.",
    )
    pressure_pa = table.number(
        "pressure_pa", 50_000.0, 200_000.0, hint="Give pascals, about 101325 at sea level."
    )
    table.close()
    return Air(
        usual.temperature_c if temperature_c is None else temperature_c,
        usual.humidity_pct if humidity_pct is None else humidity_pct,
        usual.pressure_pa if pressure_pa is None else pressure_pa,
        table.place(),
    )


def read_settings(outer: Table) -> Settings:
    """Read the table ``[simulate]``."""
    table = outer.table("simulate")
    if table is None:
        return Settings()
    usual = Settings()
    seed = table.number("seed", *SEED, whole=True)
    n_ray = table.number("rays", *RAYS, whole=True)
    max_ray = table.number("max_rays", *RAYS, whole=True)
    until_pct: float | None
    if table.holds_number("until_t30_pct"):
        until_pct = table.number("until_t30_pct", *UNTIL_T30_PCT, "per cent, or false")
    else:
        until_pct = _read_until(table, usual)
    order = table.number("image_order", 0, 12, whole=True)
    bin_ms = table.number("bin_ms", 0.1, 20.0, "ms")
    rate_hz = table.number("sample_rate_hz", 8_000, 192_000, "Hz", whole=True)
    bass = table.flag("bass")
    crossover_hz = table.number("crossover_hz", *CROSSOVER_HZ, "Hz")
    table.close()
    if rate_hz is not None and rate_hz not in _SAMPLE_RATES_HZ:
        table.complain(
            "sample_rate_hz",
            f'"sample_rate_hz" is {rate_hz:.0f}.',
            "Give 44100, 48000 or 96000.",
            "RS-S07",
        )
    first = usual.n_ray if n_ray is None else int(n_ray)
    most = max(usual.max_ray, first) if max_ray is None else int(max_ray)
    if most < first:
        table.complain(
            "max_rays",
            f"max_rays = {most} is less than the first round of {first} rays.",
            'Give at least as many as "rays".',
            "RS-S07",
        )
    return Settings(
        seed=usual.seed if seed is None else int(seed),
        n_ray=first,
        until_t30_pct=until_pct,
        max_ray=most,
        image_order=usual.image_order if order is None else int(order),
        bin_s=usual.bin_s if bin_ms is None else bin_ms / 1000.0,
        sample_rate_hz=usual.sample_rate_hz if rate_hz is None else int(rate_hz),
        place=table.place(),
        bass=usual.bass if bass is None else bass,
        crossover_hz=crossover_hz,
    )


def _read_until(table: Table, usual: Settings) -> float | None:
    """Read `until_t30_pct` that is absent or not a number: false is one round, no more."""
    flag = table.flag("until_t30_pct")
    if flag:
        fix = "Give per cent, such as 2, or false for one round."
        table.complain("until_t30_pct", '"until_t30_pct" is true.', fix, "RS-S04")
    return None if flag is False else usual.until_t30_pct
