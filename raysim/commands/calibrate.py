"""``raysim calibrate``: fit materials to decay times that were measured in the room."""

import argparse
from pathlib import Path

from raysim.commands.words import DONE, Commands, announce_compilation, say
from raysim.errors import Complaint, SettingsError


def add(commands: Commands) -> None:
    """Say what the command takes."""
    parser = commands.add_parser(
        "calibrate", help="fit what materials absorb to decay times measured in the real room"
    )
    parser.add_argument("scene", type=Path, help="scene file, or the folder with scene.toml")
    parser.add_argument(
        "--measured", type=Path, required=True, metavar="FILE.csv",
        help="columns as of measures.csv: layout, source, receiver, measure, band_hz, value, "
        "error, unit; without layout, source or receiver: see --layout, and means over pairs",
    )  # fmt: skip
    parser.add_argument(
        "--layout", metavar="NAME", help="that was measured, where the table does not say"
    )
    parser.add_argument(
        "--state", metavar="NAME", help="that was measured, where the table does not say"
    )
    parser.add_argument(
        "--into", type=Path, metavar="FOLDER", help="new scene folder (default: SCENE-fitted)"
    )
    parser.add_argument("--rays", type=int, default=8192, metavar="N", help="per source")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="seed of all chance")
    parser.add_argument(
        "--model-pct", type=float, default=5.0, metavar="PCT",
        help="what even the right materials would leave, by the model's own faults (default 5)",
    )  # fmt: skip
    parser.set_defaults(run=run_calibrate)


def run_calibrate(arguments: argparse.Namespace) -> int:
    """Fit materials to measured decay times."""
    import datetime

    from raysim.errors import SceneError
    from raysim.planning.calibrate import calibrate
    from raysim.planning.calibration_page import calibration_page
    from raysim.planning.fitted_scene import check_new, default_folder, write_fitted
    from raysim.planning.measured_decays import read_measured
    from raysim.planning.measured_layouts import prepare_measured
    from raysim.progress import Progress

    _check(arguments)
    complaints: list[Complaint] = []
    rows = read_measured(arguments.measured, complaints)
    if complaints:
        raise SceneError(complaints)
    prepared = prepare_measured(arguments.scene, rows, arguments.layout, arguments.state)
    described = prepared[0].described
    into = arguments.into or default_folder(described)
    check_new(into)
    announce_compilation()
    with Progress("calibrate") as progress:
        found = calibrate(
            prepared, rows, n_ray=arguments.rays, seed=arguments.seed,
            model_pct=arguments.model_pct, tell=progress.step,
        )  # fmt: skip
    say(calibration_page(found), "")
    today = datetime.date.today().isoformat()
    names = write_fitted(described, found, into, arguments.measured.name, today)
    if names:
        say(f"New scene  {into}, with {', '.join(names)}", f"Then       raysim check {into}")
    else:
        say("The data change nothing: no scene was written.")
    return DONE


def _check(arguments: argparse.Namespace) -> None:
    """Refuse numbers that no fit can have."""
    limits = (
        ("--rays", arguments.rays, 256, 1_000_000),
        ("--seed", arguments.seed, 0, 2**63 - 1),
        ("--model-pct", arguments.model_pct, 0.1, 50.0),
    )
    wrong = [
        Complaint(name, f"{value} is not possible.", f"Give {least} to {most}.", "RS-P01")
        for name, value, least, most in limits
        if not least <= value <= most
    ]
    if wrong:
        raise SettingsError(wrong)
