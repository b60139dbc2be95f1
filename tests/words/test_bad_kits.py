"""Listening tests that would be unfair, and answers that were changed, are refused.

Truth: each planted fault has one code; the sound one has none.
"""

from dataclasses import replace

import numpy as np
import pytest
from kits import (
    RATE,
    SEED,
    clips,
    pair_answers,
    preference_answers,
    rating_answers,
    sounds,
    written,
)

from raysim.errors import RaysimError
from raysim.listening.chance import guessing_p
from raysim.listening.dry import dry_samples
from raysim.listening.key import Draws, pair_order, seal_of
from raysim.listening.kit import checked, made_even, matched
from raysim.listening.kit_page import pair_page
from raysim.listening.loudness import loudness_lufs
from raysim.listening.preference_page import check_comparisons
from raysim.listening.rating_page import HIDDEN, Screen, rated_sounds
from raysim.listening.room_sounds import DRY_S, room_sounds
from raysim.listening.tally import (
    cautions,
    read_sittings,
    tally_pairs,
    tally_preferences,
    tally_ratings,
)
from raysim.listening.true_peak import true_peak_db
from raysim.response.heard import HeardResponse
from raysim.units import to_energy


def codes_of(action):
    """Give the codes an action complains with."""
    try:
        action()
    except RaysimError as error:
        return sorted(c.code for c in error.complaints)
    return []


def louder(clip, db):
    return replace(clip, loudness_lufs=clip.loudness_lufs + db)


def filled(clip, value):
    return replace(clip, samples=np.full_like(clip.samples, value))


@pytest.mark.parametrize(
    ("spoil", "codes"),
    [
        (lambda a, b: [a, b], []),
        (lambda a, b: [a], ["RS-L40"]),
        (lambda a, b: [a, replace(b, sample_rate_hz=44_100)], ["RS-L41"]),
        (lambda a, b: [a, replace(b, samples=np.vstack([b.samples] * 2))], ["RS-L41"]),
        (lambda a, b: [a, louder(b, 0.24)], []),
        (lambda a, b: [a, louder(b, -0.26)], ["RS-L42"]),
        (lambda a, b: [a, filled(b, 1.5)], ["RS-L43"]),
        (lambda a, b: [filled(a, np.nan), filled(b, 0.0)], ["RS-L43", "RS-L43"]),
        (lambda a, b: [a, replace(a, name=b.name)], ["RS-L44"]),
        (lambda a, b: [a, replace(b, samples=b.samples[:, :20_000])], ["RS-L45"]),
        (lambda a, b: [a, replace(b, name=a.name)], ["RS-L46"]),
    ],
)
def test_unfair_clips_are_refused(spoil, codes):
    assert codes_of(lambda: checked(spoil(*clips("old", "new")), (2, 2))) == codes


@pytest.mark.parametrize(("n_trial", "codes"), [(16, []), (24, []), (15, ["RS-L47"])])
def test_number_of_trials_is_one_of_two(n_trial, codes):
    assert codes_of(lambda: pair_page(clips("old", "new"), n_trial)) == codes


def unmatched_faults(made):
    """List what matched clips miss, measured anew."""
    loud = [loudness_lufs(c.samples, RATE) for c in made]
    peaks = [true_peak_db(c.samples) for c in made]
    found = []
    if max(loud) - min(loud) > 0.1:
        found.append("loudness")
    if max(peaks) > -1.0 + 1e-6:
        found.append("peak")
    if len({c.samples.shape for c in made}) > 1:
        found.append("length")
    return found


def test_matched_clips_are_equally_loud_long_and_safe():
    """Truth: a new measurement; 0.1 LU is what the loudness match promises."""
    raw = sounds(("a", "b", "c"))
    raw["b"] = 3.0 * raw["b"][:, :40_000]
    raw["c"] *= 0.01
    made = matched(raw, RATE)
    assert unmatched_faults(made) == []
    assert made[2].gain_db - made[0].gain_db == pytest.approx(40.0, abs=3.0)


def test_match_test_can_fail():
    """Planted faults: one clip louder, one longer, all too loud."""
    a, b = clips("a", "b")
    assert unmatched_faults([a, replace(b, samples=0.95 * b.samples)]) == ["loudness"]
    loud = [replace(c, samples=1.1 * c.samples) for c in (a, b)]
    assert unmatched_faults(loud) == ["peak"]
    longer = np.pad(b.samples, ((0, 0), (0, 9)))
    assert unmatched_faults([a, replace(b, samples=longer)]) == ["length"]


def test_even_clips_begin_and_end_in_silence():
    """What repeats must not click: the first sample is zero, the last one too."""
    for clip in made_even(clips("a", "b", seconds=11.0)):
        assert clip.samples.shape[1] == 10 * RATE
        assert np.abs(clip.samples[:, [0, -1]]).max() == 0.0


def test_rated_sounds_hold_reference_and_anchors_equally_loud():
    made = clips("dry", "a", "b", "c")
    rated = rated_sounds(Screen("noise", made[0], made[1:]))
    assert rated[0].name == HIDDEN
    assert len(rated) == 7
    assert unmatched_faults(rated) == []
    few = Screen("noise", made[0], made[1:3])
    assert codes_of(lambda: rated_sounds(few)) == ["RS-L40"]


def heard(samples, layout="a"):
    return HeardResponse(samples, RATE, ("mono",), layout, "S", "R", "a test")


def test_room_sounds_are_the_dry_one_through_the_response():
    """Truth: a pulse after 100 samples delays, and nothing else. No tolerance but rounding."""
    dry = dry_samples("noise", sounds("a")["a"][0], RATE)
    response = np.zeros((1, 200))
    response[0, 100] = 0.5
    made = room_sounds(dry, [heard(response)])
    out = made.by_layout["a"]
    n = dry.n_sample
    np.testing.assert_allclose(out[0, 100 : 100 + n], 0.5 * made.dry[0, :n], atol=1e-12)
    assert np.abs(out[0, :100]).max() < 1e-12


def test_long_recordings_are_cut_from_where_asked():
    dry = dry_samples("ramp", 1e-6 + np.arange(12 * RATE) / (12.0 * RATE), RATE)
    one = np.ones((1, 1))
    made = room_sounds(dry, [heard(one)], begin_s=2.0)
    assert made.dry.shape == (1, int(DRY_S * RATE))
    middle = made.dry.shape[1] // 2
    assert made.dry[0, middle] == pytest.approx((2.0 + DRY_S / 2) / 12.0, abs=1e-5)
    for begin_s in (12.0, -1.0, float("nan")):
        assert codes_of(lambda s=begin_s: room_sounds(dry, [heard(one)], s)) == ["RS-L45"]


def test_orders_are_even():
    """Truth: the law of a fair coin, and of fair shuffles; four sigma of 4000 draws."""
    draws = Draws(SEED)
    heads = sum(draws.below(2) for _ in range(4000))
    assert abs(heads - 2000) < 4 * np.sqrt(1000)
    counts = np.zeros((5, 5))
    for _ in range(4000):
        for place, thing in enumerate(draws.shuffled(range(5))):
            counts[place, thing] += 1
    assert np.abs(counts - 800).max() < 4.5 * np.sqrt(4000 * 0.2 * 0.8)
    lopsided = sum(byte % 3 == 0 for byte in range(256)) / 256  # without skipping bytes
    assert lopsided != pytest.approx(1 / 3, abs=1e-3)


OTHER = "f" * 32


@pytest.mark.parametrize(
    ("content", "codes"),
    [
        (pair_answers(), []),
        (rating_answers(a=50), []),
        (preference_answers("new"), []),
        (preference_answers("new", answers=[]), ["RS-L49"]),
        (preference_answers("new", order=[[0, 0, 1], [0, 0, 1]]), ["RS-L49"]),
        ("trial,answer\n1,2\n", ["RS-L48"]),
        ("[1, 2]", ["RS-L48"]),
        ({"kind": "something"}, ["RS-L48"]),
        (pair_answers(n_trial="many"), ["RS-L48"]),
        (pair_answers(layouts=["old"]), ["RS-L48"]),
        (pair_answers() | {"n_hit": 14}, ["RS-L49"]),
        (pair_answers() | {"seed": OTHER}, ["RS-L49"]),
        (pair_answers() | {"seed": OTHER, "seal": seal_of(OTHER)}, ["RS-L49"]),
        (pair_answers() | {"seed": "1", "seal": seal_of("1")}, ["RS-L49"]),
        (pair_answers() | {"answers": [0, 1]}, ["RS-L49"]),
        (pair_answers() | {"answers": [2] * 16}, ["RS-L49"]),
        (pair_answers() | {"first": "new", "second": "old"}, ["RS-L49"])
        if pair_order(SEED, 16).first == 0
        else (pair_answers() | {"first": "old", "second": "new"}, ["RS-L49"]),
        (rating_answers(a=101), ["RS-L49"]),
        (rating_answers(a=50, b=60) | {"seed": OTHER, "seal": seal_of(OTHER)}, ["RS-L49"]),
    ],
)
def test_changed_answers_are_refused(tmp_path, content, codes):
    assert codes_of(lambda: read_sittings(written(tmp_path, content))) == codes


def test_one_sitting_counts_once(tmp_path):
    paths = written(tmp_path, pair_answers(), pair_answers())
    assert codes_of(lambda: read_sittings([*paths, tmp_path / "none.json"])) == [
        "RS-L48",
        "RS-L51",
    ]


def test_pairs_are_counted_together(tmp_path):
    """Truth: sums by hand, the law of guessing, and Holm by hand for two pairs."""
    seeds = [f"{i:032x}" for i in range(3)]
    first, second = pair_answers(13, seeds[0]), pair_answers(10, seeds[1], kit="l")
    third = pair_answers(11, seeds[2], kit="m")
    names = {"old": "old", "new": "newer"}
    third |= {"layouts": ["old", "newer"], "sittings_begun": 3}
    third |= {key: names[third[key]] for key in ("first", "second")}
    sittings = read_sittings(written(tmp_path, first, second, third))
    new, newer = tally_pairs(sittings)
    assert (new.layouts, new.n_hit, new.n_trial) == (("new", "old"), 23, 32)
    assert (newer.layouts, newer.n_hit, newer.n_trial) == (("newer", "old"), 11, 16)
    assert new.p == guessing_p(23, 32)
    assert new.p_raised == pytest.approx(2.0 * new.p)
    assert newer.p_raised == pytest.approx(newer.p)
    assert [text[:6] for text in cautions(sittings)] == ["Kit m:"]


def test_who_misses_the_reference_is_left_out(tmp_path):
    """Truth: medians by hand; one of three listeners gives the reference 80."""
    contents = [
        rating_answers(reference, f"{i:032x}", a=a, b=b)
        for i, (reference, a, b) in enumerate([(100, 40, 60), (92, 20, 70), (80, 99, 1)])
    ]
    sittings = read_sittings(written(tmp_path, *contents))
    told = {t.name: (t.median, t.n_listener, t.interval) for t in tally_ratings(sittings)}
    assert told == {HIDDEN: (96, 2, None), "b": (65, 2, None), "a": (30, 2, None)}
    assert [text[:8] for text in cautions(sittings)] == ["3 sittin", "Left out"]


def test_each_listener_has_one_vote(tmp_path):
    """Truth: six of six by a coin, two-sided 2/64; one who changes sides has no vote."""
    same_side = [{"rather": 0, "clearer": -1, "words": ""}] * 2
    contents = [preference_answers("new", f"{i:032x}") for i in range(6)]
    contents.append(preference_answers("new", f"{6:032x}", answers=same_side))
    sittings = read_sittings(written(tmp_path, *contents))
    (told,) = tally_preferences(sittings)
    assert (told.layouts, told.votes, told.n_even) == (("new", "old"), (6, 0), 1)
    assert told.p == pytest.approx(2.0 / 64.0)
    assert sittings[0].words == ("warm",)
    three = [preference_answers("newer", f"{i:032x}", 3) for i in range(8)]
    by_pair = {
        t.layouts: t for t in tally_preferences(read_sittings(written(tmp_path, *three)))
    }
    best = by_pair["newer", "old"]
    assert best.votes == (8, 0)
    assert best.p_raised == pytest.approx(3.0 * 2.0 / 256.0)


def test_sittings_of_one_person_are_one_listener(tmp_path):
    """Truth by hand: six sittings of one are one vote, p = 1, and one rating, their median.
    The twin: of six people they are six."""
    for words, n in ((["Ann", "ann ", "ANN", "Ann", "Ann", "Ann"], 1), ("abcdef", 6)):
        who = [(f"{i:032x}", word) for i, word in enumerate(words)]
        contents = [preference_answers("new", seed, listener=word) for seed, word in who]
        contents += [
            rating_answers(100, seed, a=10.0 * i) | {"listener": word}
            for i, (seed, word) in enumerate(who)
        ]
        sittings = read_sittings(written(tmp_path, *contents))
        (told,) = tally_preferences(sittings[:6])
        assert told.votes == (n, 0)
        assert told.p == pytest.approx(min(1.0, 2.0 / 2**n))
        rated = {t.name: t for t in tally_ratings(sittings[6:])}
        assert (rated["a"].n_listener, rated["a"].median) == (n, 25.0)
        assert (rated["a"].interval is None) == (n == 1)
        assert cautions(sittings) == []


@pytest.mark.parametrize(("n_sound", "n_layout", "codes"), [(2, 4, []), (1, 6, ["RS-L54"])])
def test_comparisons_are_few_enough(n_sound, n_layout, codes):
    assert codes_of(lambda: check_comparisons(n_sound, n_layout)) == codes


def test_gain_is_told_in_decibels():
    """Truth: the samples themselves."""
    raw = sounds(("a", "b"))
    for clip in matched(raw, RATE):
        middle = slice(9_600, 38_400)
        factor = np.sqrt(to_energy(clip.gain_db))
        np.testing.assert_allclose(
            clip.samples[:, middle], factor * raw[clip.name][:, middle], rtol=1e-12
        )
