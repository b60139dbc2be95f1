"""``raysim noise``: say whether it will stop the noise."""

import argparse

from raysim.commands.words import DONE, Commands, say


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser("noise", help="will it stop the noise? the honest answer")
    parser.add_argument("--window-kg-m2", type=float, default=10.0, metavar="KG",
                       help="mass of the window or wall (default 10: 4 mm glass)")  # fmt: skip
    parser.add_argument("--blanket-kg-m2", type=float, default=2.0, metavar="KG",
                       help="mass of what goes before it (default 2)")  # fmt: skip
    parser.add_argument("--gap-mm", type=float, default=50.0, metavar="MM",
                       help="how far off it hangs (default 50; 0: lies on it)")  # fmt: skip
    parser.add_argument("--open-share-pct", type=float, default=10.0, metavar="PCT",
                       help="how much stays open round it (default 10)")  # fmt: skip
    parser.set_defaults(run=run_noise)


def run_noise(arguments: argparse.Namespace) -> int:
    """Say whether it will stop the noise."""
    from raysim.planning.noise import LIMITS, blanket_before_window, check_options
    from raysim.planning.noise_page import noise_page

    options = {o: float(getattr(arguments, o[2:].replace("-", "_"))) for o in LIMITS}
    check_options(options)
    window, blanket, gap_mm, open_pct = options.values()
    say(noise_page(blanket_before_window(window, blanket, gap_mm / 1e3, open_pct / 100.0)))
    return DONE
