"""What the page says of a room: judged by what sounds in it, never beyond what is known."""

from types import SimpleNamespace

import numpy as np
import pytest

from raysim.report.facts import target_for
from raysim.report.flutter import FacingPair
from raysim.report.limits import limits_of
from raysim.report.pairs import Arrival
from raysim.report.reflections import early_findings, pair_findings
from raysim.report.verdict import layout_findings, sti_word
from raysim.scene.model import Bands

BANDS = Bands()
ROOM = SimpleNamespace(target=target_for(60.0, BANDS))


def pair_of(level_db=-4.3, sounds="small loudspeaker", early=None, **changed):
    """Give what the verdict looks at in one pair."""
    early = early or (Arrival(2.8, level_db, ("north wall",), ("",)),)
    measures = SimpleNamespace(
        sti=0.5,
        curvature_pct=np.zeros(8),
        error={"curvature_pct": np.zeros(8)},
        why={"t30_s": ("",) * 8},
    )
    parts = {
        "source": "H2",
        "receiver": "H1 mic",
        "sounds": sounds,
        "early": early,
        "strongest": max(early, key=lambda a: a.level_db),
        "is_seen": True,
        "is_turned_away": False,
        "source_is_turned_away": False,
        "is_listed": True,
        "is_close": False,
        "direct_gain_db": 0.0,
        "c50_mid_db": 3.0,
        "measures": measures,
    }
    return SimpleNamespace(**parts | changed)


def layout_of(*pairs, t30_s=(1.0,) * 8, transition_hz=90.0, flutter=(), nearest=None):
    """Give what the verdict looks at in a layout."""
    t30_s = np.array(t30_s)
    return SimpleNamespace(
        pairs=pairs or (pair_of(),),
        t30_s=t30_s,
        t30_mid_s=float(t30_s[3:5].mean()),
        t30_mid_error_s=0.01,
        is_hidden=False,
        transition_hz=transition_hz,
        is_modal=BANDS.centre_hz < transition_hz,
        flutter=flutter,
        nearest=nearest,
    )


def said(layout):
    return layout_findings(ROOM, layout, BANDS)


def one_of(layout, *words):
    """Give the one finding whose headline holds one of some words."""
    (finding,) = [f for f in said(layout) if any(word in f.headline for word in words)]
    return finding


@pytest.mark.parametrize(
    ("pair", "kind", "words"),
    [
        (pair_of(), "fault", "2.8 ms after the direct sound of “H2”, 4.3 dB below it, "),
        (pair_of(level_db=-9.9), "fault", "9.9 dB below it"),
        (pair_of(level_db=-10.1), "fine", "10.1 dB below it"),
        (pair_of(level_db=1.5), "fault", "1.5 dB above it"),
        (pair_of(is_turned_away=True, direct_gain_db=-20.0), "note",
         "20.0 dB weaker than sound from its front"),
        (pair_of(is_seen=False), "note", "stands between “H2” and “H1 mic”"),
    ],
)  # fmt: skip
def test_verdict_on_early_reflection(pair, kind, words):
    """EBU Tech 3276, 2nd ed., 2.2: 10 dB down for 15 ms (read in a verbatim quotation)."""
    (finding,) = pair_findings(pair)
    assert finding.kind == kind
    assert words in finding.sentence


def test_a_reflection_in_the_window_counts_before_a_stronger_later_one():
    late, inside = Arrival(30.0, -2.0, ("shed",)), Arrival(5.0, -8.0, ("floor",))
    (finding,) = pair_findings(pair_of(early=(inside, late)))
    assert finding.kind == "fault"
    assert "strongest reflection of the first 15 ms" in finding.sentence
    (finding,) = pair_findings(pair_of(early=(late,)))  # the twin
    assert finding.kind == "fine"


@pytest.mark.parametrize(
    ("sounds", "kind", "words"),
    [
        ("small loudspeaker", "fault", "aim for 10 dB below"),
        ("talker", "note", "an aim for loudspeakers"),
        ("omni", "note", "wanted by players who must hear each other, and unwanted in mixing"),
        ("own table", "note", "wanted by players"),
    ],
)
def test_the_window_judges_loudspeakers_alone(sounds, kind, words):
    """The aim is one for control rooms; what a source is for says its directivity."""
    (finding,) = early_findings((pair_of(sounds=sounds),))
    assert finding.kind == kind
    assert words in finding.sentence
    assert "EBU Tech 3276, 2nd ed., 2.2" in finding.sentence


@pytest.mark.parametrize(
    ("sounds", "kind", "words"),
    [
        ("small loudspeaker", "fault", "for mixing"),
        ("talker", "fault", "for recording speech"),
        ("omni", "note", "wanted by players, unwanted in mixing"),
    ],
)
def test_decay_is_judged_by_what_sounds(sounds, kind, words):
    """EBU Tech 3276, 2nd ed., 2.3: 0.26 s at most in 60 m3; here 1 s."""
    finding = one_of(layout_of(pair_of(sounds=sounds)), "Sound lingers")
    assert finding.kind == kind
    assert words in finding.headline
    assert "rooms to play music in together want more" in finding.sentence


def test_speech_is_rated_for_talkers_alone():
    assert one_of(layout_of(pair_of(sounds="talker")), "Speech").kind == "watch"
    for sounds in ("omni", "small loudspeaker"):
        assert not any("Speech" in f.headline for f in said(layout_of(pair_of(sounds=sounds))))


def test_players_get_no_red_verdict_but_for_the_balance():
    assert all(f.kind != "fault" for f in said(layout_of(pair_of(sounds="omni"))))
    assert any(f.kind == "fault" for f in said(layout_of(pair_of())))  # the twin


def test_a_close_microphone_is_told_of():
    close = pair_of(sounds="talker", is_close=True, c50_mid_db=15.2)
    words = "the room lies 15.2 dB below the voice"
    assert words in one_of(layout_of(close), "H1 mic").headline
    assert words in pair_findings(close)[1].headline
    assert len(pair_findings(pair_of(sounds="talker"))) == 1  # the twin


@pytest.mark.parametrize(
    ("wall_db", "heads"),
    [(-9.0, "the ceiling"), (-9.9, "the top of host 1"), (-4.0, "the ceiling")],
)
def test_a_room_surface_heads_before_a_thing(wall_db, heads):
    """Within 6 dB the room's own surface is named first; beyond, the thing is."""
    thing = Arrival(0.4, -3.5, ("host 1 top",), ("host 1",))
    wall = Arrival(4.0, wall_db, ("ceiling",), ("",))
    (finding,) = early_findings((pair_of(early=(thing, wall)),))
    assert finding.headline == f"A strong early reflection comes from {heads}."
    assert "from the top of host 1" in finding.sentence  # told in either case


def test_a_thing_in_the_window_is_not_hidden_by_a_wall_outside_it():
    thing = Arrival(0.4, -7.0, ("table top",), ("table",))
    wall = Arrival(4.0, -10.5, ("ceiling",), ("",))
    (finding,) = early_findings((pair_of(early=(thing, wall)),))
    assert (finding.kind, finding.headline) == (
        "fault", "A strong early reflection comes from the top of table.",
    )  # fmt: skip


@pytest.mark.parametrize("gain_db", [-np.inf, -320.0])
def test_a_null_takes_nothing(gain_db):
    (null,) = pair_findings(pair_of(is_turned_away=True, direct_gain_db=gain_db))
    assert null.sentence.startswith("It takes nothing of the direct sound, so")
    (weak,) = pair_findings(pair_of(is_turned_away=True, direct_gain_db=-40.0))  # the twin
    assert weak.sentence.startswith("It takes the direct sound 40.0 dB weaker")


def test_a_source_that_points_away_is_told_of():
    away = pair_of(level_db=-1.0, source_is_turned_away=True)
    (finding,) = pair_findings(away)
    assert (finding.kind, finding.headline) == ("note", "“H2” points away from “H1 mic”.")
    assert "2.8 ms later, 1.0 dB below it, from the north wall" in finding.sentence
    assert early_findings((away,))[0].headline == "No source and receiver face each other."
    (finding,) = early_findings((away, pair_of(level_db=-12.0)))  # the other alone is judged
    assert (finding.kind, finding.headline) == ("fine", "Early reflections stay low.")
    both = pair_of(source_is_turned_away=True, is_turned_away=True, direct_gain_db=-20.0)
    assert [f.headline for f in pair_findings(both)] == [
        "“H2” points away from “H1 mic”.", "“H1 mic” turns away from “H2”.",
    ]  # fmt: skip


def test_rooms_where_no_source_is_in_sight():
    hidden = pair_of(is_seen=False)
    (finding,) = early_findings((hidden, hidden))
    assert finding.headline == "No source is in sight of its receiver."
    (finding,) = early_findings((hidden, pair_of()))  # the twin: one is
    assert finding.headline == "A strong early reflection comes from the north wall."


def test_reflections_that_were_not_listed_are_not_judged():
    words = "Early reflections were not listed one by one."
    for seen in (True, False):
        pair = pair_of(is_listed=False, is_seen=seen, strongest=None)
        assert words in [f.headline for f in pair_findings(pair)]
        assert [f.headline for f in early_findings((pair,))] == [words]
    assert words not in [f.headline for f in pair_findings(pair_of())]  # the twin


@pytest.mark.parametrize(("transition_hz", "words"), [(0.0, "not known here"), (90.0, "90 Hz")])
def test_no_transition_is_no_zero(transition_hz, words):
    """Walls that swallow all leave no decay, and so no modes to tell of."""
    said_of_it = limits_of(transition_hz)[1]
    assert f"transition frequency, {words}" in said_of_it
    assert " 0 Hz" not in said_of_it


BALANCE = ("Lows", "lows", "boxy", "Bright", "balance")


@pytest.mark.parametrize(
    ("low", "kind", "headline"),
    [
        (1.0, "fine", "Lows and highs die away together."),
        (0.82, "fine", "Lows and highs die away together."),
        (0.78, "note", "Lows die away sooner than highs."),
        (0.6, "watch", "Bright: the highs ring on after the rest."),
        (1.3, "watch", "Slightly boxy: the low middle outlasts the highs."),
        (1.6, "fault", "Voices will sound boxy: the low middle outlasts the highs."),
    ],
)
def test_balance_of_lows_and_highs(low, kind, headline):
    """Limits of the ratio to 2 kHz: common practice, no source."""
    finding = one_of(layout_of(t30_s=(low,) * 3 + (1.0,) * 5), *BALANCE)
    assert (finding.kind, finding.headline) == (kind, headline)


@pytest.mark.parametrize(
    ("low", "transition_hz", "kind"),
    [
        (1.0, 400.0, "note"), (0.6, 400.0, "note"), (2.0, 400.0, "note"),  # neither known
        (1.0, 180.0, "note"), (2.0, 180.0, "fault"),  # 250 Hz is known
        (1.0, 90.0, "fine"),
    ],
)  # fmt: skip
def test_balance_says_nothing_of_lows_that_are_not_known(low, transition_hz, kind):
    """Below 2000 sqrt(T/V), M. R. Schroeder 1996, rays do not know the modes."""
    t30_s = (low,) * 3 + (1.0,) * 5
    finding = one_of(layout_of(t30_s=t30_s, transition_hz=transition_hz), *BALANCE)
    assert finding.kind == kind
    if kind == "note":
        assert finding.headline == "The lows are not known from this calculation."
        assert f"{low:.1f} to 1" in finding.sentence


def facing(distance_m, decay_s, names=("north", "south")):
    return FacingPair(*names, distance_m, 8.0, 343.0 / (2 * distance_m), decay_s, 0.05)


def test_flutter_is_told_with_care():
    """Truth: c/2d, 343/(2 x 2.05) = 83.7 per second, computed."""
    near = facing(2.05, 0.9)
    (finding,) = [f for f in said(layout_of(nearest=near)) if "claps" in f.headline]
    assert finding.kind == "note"
    assert "84 claps per second" in finding.headline
    assert "north and south, 2.05 m apart" in finding.sentence
    assert "not found to outlast" in finding.sentence
    lasting = layout_of(nearest=near, flutter=(facing(2.05, 2.2),))
    (finding,) = [f for f in said(lasting) if "claps" in f.headline]  # not told twice
    assert finding.kind == "watch"
    assert "about 2.2 s long" in finding.sentence
    assert "up to" not in finding.sentence


@pytest.mark.parametrize(
    ("sti", "word"),
    [(0.76, "excellent"), (0.74, "good"), (0.59, "fair"), (0.31, "poor"), (0.1, "bad")],
)
def test_rating_of_speech(sti, word):
    """IEC 60268-16, ratings: values from memory."""
    assert sti_word(sti) == word


def test_verdict_and_caption_say_the_same_of_the_aim():
    """Below 51.2 m3 the formula leaves its range: both must say what is used instead."""
    room = SimpleNamespace(target=target_for(24.0, BANDS))
    sentence = layout_findings(room, layout_of(), BANDS)[0].sentence
    assert "leaves its range, so the range's lower end, 0.2 s, is used" in sentence
    assert "extrapolated" not in sentence
