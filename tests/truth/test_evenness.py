"""How evenly octaves die away, and where two methods disagree: rooms made up so it is known.

Truths: ratios by hand; 1.25 as the limit of what is even (a consultant's standard, as quoted);
the share of mistakes that the rule promises, 5 % (Bonferroni's inequality with Student's t).
No tolerance but rounding of float64, unless a test says otherwise.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from comparing import OCTAVE, flat, reading
from test_compare import pair_of, room_of

from raysim.compare.evenness import (
    Seam,
    evenness,
    is_tilted,
    judged_octaves,
    kept_by_waves,
    seam,
    seam_sentence,
    tilt,
)
from raysim.compare.figures import readings
from raysim.compare.jnd import least_factor
from raysim.compare.sentences import lingers, where_methods_meet
from raysim.compare.states import Condition
from raysim.decision.charts import Lingers, decay_picture
from raysim.decision.judgement import verdicts
from raysim.decision.pictures import decay_note
from raysim.decision.words import traps
from raysim.measures.low_bands import room_decay_with_bass
from raysim.measures.pair import RoomDecay
from raysim.report.svg import Figure
from raysim.scene.model import Bands

WAVES = ("63", "125", "250")
JUDGED = ("500", "1k", "2k", "4k")
FROM_250 = ("250", *JUDGED)


def compared(read):
    """Give as much of a comparison as sentences on decay ask for."""
    return SimpleNamespace(
        readings=read,
        layouts=read.layouts,
        conditions={n: Condition("", "") for n in read.layouts},
        is_one_state=lambda *_: True,
    )


def seam_room(factor=1.7):
    """Give two flat rooms, 0.8 and 0.4 s by rays, that waves have ``factor`` longer."""
    rays_s = flat(0.8, 0.4)
    t30_s = rays_s.copy()
    t30_s[:, :3] *= factor
    return t30_s, rays_s


def test_a_seam_is_not_unevenness():
    """Truth: both rooms are flat by rays, and flat by waves."""
    t30_s, rays_s = seam_room()
    read = reading(t30_s, noise=1e-3, waves=WAVES, rays_s=rays_s)
    assert judged_octaves(read, FROM_250) == JUDGED
    said = lingers(compared(read), "b")
    assert "from 500 Hz to 4 kHz, by rays, it now lingers 0.40 s, evenly; a: 0.80 s." in said
    assert said.endswith("By waves, a hint: 0.68 s at 250 Hz.")
    # the twin: were it no hint, the ratio across the seam would be called uneven
    read = reading(t30_s, noise=1e-3)
    said = lingers(compared(read), "b")
    assert "from 250 Hz to 4 kHz it now lingers unevenly, 0.68 s at 250 Hz" in said
    assert "1.70 (± less than 0.01) times as long" in said


def test_unevenness_within_rays_is_found():
    """Truth by hand: 0.6 s over 0.4 s is 1.5; the noise of 32 batches is 0.1 % / √32 each."""
    t30_s = flat(0.8, 0.4)
    t30_s[1, 3] = 0.6
    read = reading(t30_s, noise=1e-3, waves=WAVES)
    how = evenness(read, "b", JUDGED)
    assert (how.longest, how.is_uneven, how.is_even) == ("500", True, False)
    assert how.ratio == pytest.approx(1.5, rel=1e-3)
    assert how.error == pytest.approx(1.5e-3 * np.sqrt(2.0 / 32.0), rel=0.5)
    # the twin: where a hint lasts as long, nothing is uneven
    t30_s[1] = 0.4
    t30_s[1, 2] = 0.6
    assert evenness(reading(t30_s, noise=1e-3, waves=WAVES), "b", JUDGED).is_even


def test_chance_is_not_called_uneven():
    """Truth: octaves whose ratio is just 1.25 are called uneven in at most 5 % of runs.

    400 runs of which 5 % are 20, and 4 sigma more are 38. The twin, the longest over the
    shortest as they are read, is beyond 1.25 in more than half: it is biased upward.
    """
    t30_s = np.array([[0.5] * 4 + [0.4] * 4])
    found = [
        evenness(reading(t30_s, noise=0.2, seed=seed, waves=WAVES), "a", JUDGED)
        for seed in range(400)
    ]
    assert sum(one.is_uneven for one in found) <= 38
    assert sum(not one.is_even for one in found) > 200


def test_what_cannot_be_told_is_said():
    """Truth by hand: 1.27 with 5 % / √32 of noise in each octave is no more than 1.25."""
    t30_s = np.array([[0.508] * 4 + [0.4] * 4])
    said = lingers(compared(reading(t30_s, noise=0.05, waves=WAVES)), "a")
    assert "whether evenly cannot be told" in said
    assert "up to 1.25 times is even" in said
    # the twin: known to a tenth of a per cent, it is uneven
    assert "unevenly" in lingers(compared(reading(t30_s, noise=1e-3, waves=WAVES)), "a")
    # what has no error says nothing for certain
    alone = replace(reading(t30_s, waves=WAVES), without=(None,))
    assert not evenness(alone, "a", JUDGED).is_uneven


def test_tilt_is_of_octaves_that_are_no_hints():
    """Truth by hand: 0.6 over 0.3 s is 2; with 250 Hz, 1.2 s, it would be 3."""
    t30_s = np.array([[1.2, 1.2, 1.2, 0.6, 0.5, 0.3, 0.3, 0.3]])
    found = tilt(reading(t30_s, waves=WAVES), "a")
    assert (found.lows, found.value, found.error) == (("500",), pytest.approx(2.0), 0.0)
    twin = tilt(reading(t30_s), "a")
    assert (twin.lows, twin.value) == (("250", "500"), pytest.approx(3.0))
    none = tilt(reading(t30_s, hint=("63", "125", "250", "500")), "a")
    assert none.lows == ()
    assert np.isnan(none.value)
    assert not is_tilted(none, none, 2.0)


@pytest.mark.parametrize(("noise", "is_certain"), [(1e-3, True), (0.3, False)])
def test_tilt_is_called_beyond_its_error(noise, is_certain):
    """Truth by hand: 1.35 over a flat room's 1 exceeds 1.25 by 7.7 %."""
    t30_s = flat(0.8, 0.4)
    t30_s[1, :4] *= 1.35
    read = reading(t30_s, noise=noise, waves=WAVES)
    factor = least_factor(1, 32)
    assert is_tilted(tilt(read, "b"), tilt(read, "a"), factor) is is_certain
    assert not is_tilted(tilt(read, "b"), tilt(read, "b"), factor)  # no more than the room


@pytest.mark.parametrize("factor", [0.6, 1.7])
def test_waves_are_held_against_waves(factor):
    """Truth: what sets one method off by a factor says nothing of a layout."""
    t30_s, rays_s = seam_room(factor)
    assert kept_by_waves(reading(t30_s, waves=WAVES, rays_s=rays_s), "b", "a") is None
    t30_s[1, 2] = 0.9 * t30_s[0, 2]  # a layout that leaves nine tenths, and half of the highs
    found = kept_by_waves(reading(t30_s, waves=WAVES, rays_s=rays_s), "b", "a")
    assert found.lows == ("250",)
    assert found.low_s == pytest.approx((0.9 * factor * 0.8, factor * 0.8))
    assert found.high_s == pytest.approx((0.4, 0.8))
    # the twin: without waves there is nothing to hold
    assert kept_by_waves(reading(t30_s), "b", "a") is None


def dull_traps(low_s):
    """Say what is wrong with b, 250 Hz of which lasts ``low_s`` by waves; c is nearest."""
    t30_s = flat(0.8, 0.3, 0.25)
    t30_s[1] = [0.7, 0.7, low_s, 0.56, 0.4, 0.28, 0.28, 0.28]
    read = reading(t30_s, noise=1e-3, waves=WAVES, rays_s=np.full((3, 8), 0.5))
    return read, trap_sentences(read)


def trap_sentences(read):
    from test_judgement import plan

    from raysim.compare.front import Price
    from raysim.compare.groups import differences, groups
    from raysim.compare.targets import aim_for, reached

    found = differences(read)
    comparison = SimpleNamespace(
        layouts=read.layouts, readings=read, found=found, groups=groups(found), currency="EUR",
        judged=(
            SimpleNamespace(reached=reached(read, aim_for("voice", 30.0)), worth={}, held=()),
        ),
        prices={n: Price(9, 9, 9) for n in read.layouts},
        conditions={n: Condition("" if n == "a" else n, "") for n in read.layouts},
    )  # fmt: skip
    (v,) = verdicts(comparison, SimpleNamespace(plans=[plan(n) for n in "bc"]))
    return v, [f.sentence for f in traps(v, comparison)]


def test_waves_that_point_the_same_way_are_named():
    """Truth by hand: 0.7 s of 0.8 s by waves are 7/8, 0.28 s of 0.8 s by rays a good third."""
    _, (v, said) = dull_traps(0.7)
    assert [t.kind for t in v.traps] == ["dull"]
    assert v.traps[0].size == pytest.approx(2.0, rel=2e-3)
    assert "At 500 Hz, by rays, sound lasts 2.00 (± less than 0.01) times as long" in said[0]
    assert "By waves, a hint, it is the same at 250 Hz: 0.70 s are left of 0.80 s" in said[0]
    # the twin: by waves the layout takes of 250 Hz as much as of the highs
    _, (v, said) = dull_traps(0.28)
    assert [t.kind for t in v.traps] == ["dull"]
    assert "By waves, a hint" not in said[0]


def test_seam_between_methods_alone_is_no_trap():
    """Truth: a layout that is flat by rays is not dull, whatever waves have at 250 Hz."""
    t30_s = flat(0.8, 0.4, 0.25)
    t30_s[1, :3] = 0.9
    v, _ = trap_sentences(reading(t30_s, noise=1e-3, waves=WAVES))
    assert not any(c.is_dull for c in v.candidates)
    # the twin: taken for an octave of rays, it is
    v, _ = trap_sentences(reading(t30_s, noise=1e-3))
    assert [c.name for c in v.candidates if c.is_dull] == ["b"]


def test_both_methods_are_read_where_they_meet():
    """Truth by hand: the highest octave that waves answer for; rays are kept beside them."""
    rays_s = np.linspace(0.3, 1.0, 8)
    low = np.arange(8) < 3
    t30_s = np.where(low, 0.5, rays_s)
    pairs = [(pair_of("m", t30_s, rays_t30_s=k * rays_s),) for k in (1.0, 2.0)]
    room = room_of(*pairs, transition_hz=80.0)
    read = readings(room, Bands(), {"a": low, "b": low})
    assert seam(read, "b") == Seam("b", "250", pytest.approx(0.5), pytest.approx(1.0))
    assert seam(read, "b").apart == pytest.approx(2.0)
    assert np.isnan(read.rays_t30_s[:, 3:]).all()
    # the twin: without waves nothing meets
    assert seam(readings(room, Bands()), "b") is None


def test_rays_of_other_pairs_are_no_seam():
    """Truth: of two pairs rays know one at 250 Hz; its mean stands for neither."""
    low = np.arange(8) < 3
    t30_s, lacking = np.full(8, 0.5), np.full(8, 0.4)
    lacking[2] = np.nan

    def read(rays_s):
        one = (pair_of("m", t30_s, rays_t30_s=rays_s), pair_of("n", t30_s, rays_t30_s=t30_s))
        return readings(room_of(one, one), Bands(), {"a": low, "b": low})

    assert seam(read(lacking), "a").band == "125"
    assert seam(read(np.full(8, 0.4)), "a").band == "250"  # the twin


def test_what_rays_gave_is_kept():
    """Truth: waves take over the low bands, and the rays' own are not lost."""
    rays_s = np.full(8, 0.4)
    low = np.arange(8) < 3
    measured = SimpleNamespace(t30_s=np.full(8, 0.7), error={"t30_s": np.zeros(8)})
    found = room_decay_with_bass(RoomDecay(rays_s, 0.1 * rays_s, hidden=False), measured, low)
    assert found.t30_s.tolist() == [0.7] * 3 + [0.4] * 5
    assert found.rays_t30_s.tolist() == rays_s.tolist()


def test_both_numbers_are_said():
    """Truth by hand: 0.8 over 0.5 s exceeds it by 60 %."""
    seams = [Seam("a", "250", 0.8, 0.6), Seam("b", "250", 0.5, 0.8)]
    said = seam_sentence(seams)
    assert "At 250 Hz both methods give T30 (by waves / by rays): a 0.80 / 0.60 s;" in said
    assert "b 0.50 / 0.80 s. The longer exceeds the shorter by up to 60 %" in said
    assert seam_sentence([]) == ""
    t30_s, rays_s = seam_room()
    read = reading(t30_s, waves=WAVES, rays_s=rays_s)
    assert "a 1.36 / 0.80 s; b 0.68 / 0.40 s. " in where_methods_meet(compared(read), "ab")
    assert where_methods_meet(compared(reading(t30_s)), "ab") == ""  # the twin


def drawn(by_wave) -> Figure:
    nothing = np.zeros(8)
    line = Lingers("a", np.full(8, 0.4), nothing, tuple(b in WAVES for b in OCTAVE), by_wave)
    return decay_picture("d", OCTAVE, line, None, (), 0.5)


def test_charts_name_the_other_method():
    figure = drawn(tuple(b in WAVES for b in OCTAVE))
    assert "hatched: by waves" in str(figure)
    assert "250 Hz 0.40 s by waves" in str(figure)
    assert "500 Hz 0.40 s by waves" not in str(figure)
    # the twin: hints that are by rays
    assert "by waves" not in str(drawn(()))


def test_the_note_beside_the_charts_has_both_numbers():
    _, (v, _) = dull_traps(0.7)
    note = decay_note(v, 360.0)
    assert "Hatched: by waves (63 Hz, 125 Hz and 250 Hz), another method than the rest" in note
    assert "the room as it is 0.80 / 0.50 s; b 0.70 / 0.50 s" in note
    # the twin: no waves
    v, _ = trap_sentences(reading(flat(0.8, 0.3, 0.25), noise=1e-3, hint=("63", "125")))
    note = decay_note(v, 150.0)
    assert "Hatched: below 150 Hz single modes rule, take it as a hint." in note
    assert "waves" not in note
