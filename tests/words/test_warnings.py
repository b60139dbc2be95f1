"""What is said of a sound scene before it is traced, by ``check`` and ``simulate`` alike.

Truth: the place of what was put into the scene. Each warning has a scene beside it that
must not have it.
"""

import pytest
from quick import write_quick

from raysim.cli import main
from raysim.propagation.rays import expected_duration_s
from raysim.study import prepare

CURTAIN = """
[[thing]]
name = "curtain"
kind = "sheet"
material = "felt"
corners_m = [[{x}, 1.0, 0.4], [{x}, 2.0, 0.4], [{x}, 2.0, 1.8], [{x}, 1.0, 1.8]]
"""
SCREEN = """
[[thing]]
name = "screen"
kind = "shell"
material = "felt"
centre_m = [1.0, 1.5]
radius_m = {radius}
thickness_m = 0.05
from_deg = -60
to_deg = 60
z_m = [0.8, 1.6]
"""
CLOCKWISE = (
    ("[[0, 0], [4, 0], [4, 3], [0, 3]]", "[[0, 0], [0, 3], [4, 3], [4, 0]]"),
    ('["south", "east", "north", "west"]', '["west", "north", "east", "south"]'),
)


def said(capsys, command, scene, tmp_path):
    """Give all that a command says, on one line."""
    into = ["--into", str(tmp_path / "out")] if command == "simulate" else []
    assert main([command, str(scene), *into]) == 0
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize("command", ["check", "simulate"])
@pytest.mark.parametrize(
    ("thing", "name"),
    [(CURTAIN.format(x=1.3), "curtain"), (SCREEN.format(radius=0.3), "screen")],
)
def test_what_stands_in_the_way_is_named(tmp_path, capsys, command, thing, name):
    scene = write_quick(tmp_path / "room", more=thing)
    text = said(capsys, command, scene, tmp_path)
    warning = f'Warning: "{name}" stands between source "voice" and receiver "microphone". '
    assert text.count(warning) == 1
    if command == "simulate":
        assert text.index(warning) < text.index("voice → microphone")
    else:
        assert "a sheet or screen, even a thin curtain, lets nothing through" in text


@pytest.mark.parametrize("thing", [CURTAIN.format(x=1.8), SCREEN.format(radius=0.7)])
def test_what_stands_elsewhere_is_not(tmp_path, capsys, thing):
    scene = write_quick(tmp_path / "room", more=thing)
    assert "stands between" not in said(capsys, "check", scene, tmp_path)


def test_pair_that_is_not_heard_is_not_warned_of(tmp_path, capsys):
    heard = 'receivers = ["near"]\n'
    at = "at_m = [1.0, 1.5, 1.2]\n"
    near = '\n[[receiver]]\nname = "near"\nat_m = [1.0, 1.2, 1.2]\n'
    scene = write_quick(tmp_path / "a", (at, at + heard), more=CURTAIN.format(x=1.3) + near)
    assert "between" not in said(capsys, "check", scene, tmp_path)


@pytest.mark.parametrize("command", ["check", "simulate"])
def test_clockwise_plan_says_which_wall_is_which(tmp_path, capsys, command):
    scene = write_quick(tmp_path / "room", *CLOCKWISE)
    text = said(capsys, command, scene, tmp_path)
    note = (
        "Note: The plan runs clockwise seen from above. Wall i runs from corner i to the next"
    )
    assert note in text
    assert '"west" from (0, 0) to (0, 3)' in text


def test_anticlockwise_plan_needs_no_word(tmp_path, capsys):
    assert "Note:" not in said(capsys, "check", write_quick(tmp_path / "room"), tmp_path)


MEMORY = "Warning: Tracing needs about"
THIRDS = '[bands]\nwidth = "third"\n'


def test_memory_that_many_machines_lack_is_told_before_tracing(tmp_path, capsys):
    """Truth: 32 batches of an energy and 8 moments, 8 bytes each, held three times."""
    ears = "".join(
        f'[[receiver]]\nname = "ear {i}"\nat_m = [{1.0 + 0.02 * i:.2f}, 0.7, 1.2]\n'
        for i in range(59)
    )
    fine = ("rays = 2000", "rays = 2000\nbin_ms = 0.1")
    scene = write_quick(tmp_path / "room", fine, more=ears + THIRDS)
    text = said(capsys, "check", scene, tmp_path)
    prepared = prepare(scene)
    duration_s = expected_duration_s(prepared.room)
    needed_gb = 3 * 32 * 60 * duration_s / 1e-4 * 9 * 24 * 8 / 1e9
    told_gb = float(text.partition(MEMORY)[2].split()[0])
    assert told_gb == pytest.approx(needed_gb, rel=0.05)  # two digits
    assert "fewer receivers per source or octaves or wider bins (bin_ms)." in text


def test_memory_that_all_machines_have_is_not(tmp_path, capsys):
    scene = write_quick(tmp_path / "room")
    assert MEMORY not in said(capsys, "check", scene, tmp_path)


def test_dead_room_is_warned_of_before_tracing(tmp_path, capsys):
    text = said(capsys, "simulate", write_quick(tmp_path / "room"), tmp_path)
    assert text.startswith("Warning: Mean absorption is above 0.35")


def test_livelier_room_is_not(tmp_path, capsys):
    scene = write_quick(tmp_path / "room", ("alpha = 0.4", "alpha = 0.3"))
    assert "Warning" not in said(capsys, "simulate", scene, tmp_path)
