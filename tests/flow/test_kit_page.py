"""Listening pages in a real browser: a simulated listener sits the whole test.

Needs Chromium. Without it these tests are skipped, but fail where CI=true is set.
"""

import csv
import hashlib
import json
import re
import time

import numpy as np
import pytest
from chromium import Tab, found_browser
from kits import RATE, clips

from raysim.listening.chance import guessing_p, outcomes, percent, rate_interval
from raysim.listening.key import Draws, pair_order, preference_order, screen_orders, seal_of
from raysim.listening.kit import made_even
from raysim.listening.kit_page import pair_page
from raysim.listening.preference_page import preference_page
from raysim.listening.rating_page import HIDDEN, Screen, rating_page
from raysim.listening.sheet import (
    key_text,
    pair_key,
    pair_sheet,
    preference_sheet,
    rating_sheet,
)
from raysim.listening.tally import read_sittings, tally_ratings

SEED = "0123456789abcdef" * 2
NAMES = ("with velvet", "with brick")
RATED = ("one slab", "two slabs", "curtain")
WIDTHS = (390, 1200)

#: Lets a test hear what the page plays: everything that goes to the loudspeaker.
TAP = """(function () {
  var connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (to) {
    if (to === this.context.destination && to.context instanceof AudioContext) {
      window.tap = this.context.createAnalyser();
      window.tap.fftSize = 4096;
      connect.call(this, window.tap);
    }
    return connect.apply(this, arguments);
  };
  window.heardDb = function () {
    var a = new Float32Array(4096);
    window.tap.getFloatTimeDomainData(a);
    return 10 * Math.log10(a.reduce(function (s, x) { return s + x * x; }, 0) / 4096 + 1e-20);
  };
})();"""

#: Plays clips by the page's own player, faster than time, with changes at given moments.
OFFLINE = """(async function (clips, changes, seconds, rate, player) {
  var context = new OfflineAudioContext(1, seconds * rate, rate);
  var buffers = await raysimKit.decode(context, clips);
  var p = (player || raysimKit.player)(context, buffers);
  p.exactVolume(1);
  changes.forEach(function (c) { p.show(c[0], c[1]); });
  var out = await context.startRendering();
  return [Array.from(out.getChannelData(0)), buffers.map(function (b) { return b.duration; })];
})"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("kits")


@pytest.fixture(scope="module")
def tab(folder):
    one = Tab(found_browser(), folder)
    one.send("Page.addScriptToEvaluateOnNewDocument", source=TAP)
    yield one
    one.close()


@pytest.fixture(scope="module")
def pair():
    return pair_page(clips(*NAMES), 16, "Played: noise.")


@pytest.fixture(scope="module")
def rating():
    screens = []
    for i in range(2):
        made = clips("the dry sound", *RATED, seed=10 * i)
        screens.append(Screen(f"What is played: noise {i}.", made[0], made[1:]))
    return rating_page(screens, "Played: noise.")


@pytest.fixture(scope="module")
def preference():
    made = [(f"noise {i}", clips(*NAMES, seed=20 + 10 * i)) for i in range(2)]
    return preference_page(made, "Played: noise.")


@pytest.fixture
def visit(tab, folder):
    """Give a function that opens HTML afresh: nothing kept, nothing complained of yet."""

    def go(html, seed=None):
        path = folder / "page.html"
        path.write_text(html, encoding="utf-8")
        tab.open("about:blank")
        tab.open(path.as_uri())
        tab.run("localStorage.clear()")
        tab.open("about:blank")
        for old in folder.glob("*.*"):
            if old.suffix in (".json", ".csv"):
                old.unlink()
        tab.complaints.clear()
        tab.requests.clear()
        tab.resize(1200)
        tab.open(path.as_uri() + (f"#seed={seed}" if seed else ""))
        return tab

    return go


def is_open(tab, part):
    return tab.run(f"!document.getElementById('{part}').hidden")


def shown(tab, ident):
    return tab.run(f"document.getElementById('{ident}').innerText")


def enter(tab):
    tab.click("load")
    tab.wait("!document.getElementById('desk').hidden")


def sit(tab, answers, begin=0):
    """Answer trials by keys: listen to the stranger, choose, confirm."""
    for i, side in enumerate(answers, begin):
        if is_open(tab, "rest"):
            tab.click("go-on")
        tab.wait(
            f"document.getElementById('trial-name').innerText.startsWith('Trial {i + 1} ')"
        )
        tab.press("1", "3", ("ArrowLeft", "ArrowRight")[side], "Enter")


def listener(order, n_hit):
    """Give the answers of one who is right so often, the wrong ones first."""
    n_wrong = len(order.strangers) - n_hit
    return [1 - s if i < n_wrong else s for i, s in enumerate(order.strangers)]


def downloaded(tab, folder, button, name):
    tab.click(button)
    path, until_s = folder / name, time.monotonic() + 10.0
    while not path.exists() or not path.stat().st_size:
        assert time.monotonic() < until_s, f"{name} never came"
        time.sleep(0.05)
    return path


def told_p(tab):
    return shown(tab, "end-hits"), shown(tab, "end-p"), shown(tab, "end-interval")


def expected_p(n_hit, n_trial):
    p = guessing_p(n_hit, n_trial)
    low, high = rate_interval(n_hit, n_trial)
    text = f"{p:.3f}" if p >= 0.001 else "< 0.001"
    return f"{n_hit} of {n_trial}", text, f"{percent(low)} to {percent(high)}"


@pytest.mark.parametrize("n_hit", [16, 12, 9])
def test_whole_sitting_ends_in_the_right_p(visit, pair, folder, n_hit):
    """Truth: the binomial law in Python, and the order drawn again from the secret."""
    tab = visit(pair.html, SEED)
    order = pair_order(SEED, 16)
    enter(tab)
    tab.click("begin")
    assert shown(tab, "seal") == seal_of(SEED)
    sit(tab, listener(order, n_hit))
    assert is_open(tab, "end")
    assert told_p(tab) == expected_p(n_hit, 16)
    assert shown(tab, "sentence") == outcomes(16)[n_hit].sentence
    first, second = NAMES[order.first], NAMES[1 - order.first]
    assert shown(tab, "names") == f"The first was “{first}”, the second “{second}”."

    (sitting,) = read_sittings([downloaded(tab, folder, "get-json", "answers.json")])
    assert (sitting.n_hit, sitting.layouts, sitting.kit) == (n_hit, NAMES, pair.name)
    table = downloaded(tab, folder, "get-csv", "answers.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    assert sum(int(row["right"]) for row in rows) == n_hit
    assert [row["stranger"] for row in rows] == [(first, second)[s] for s in order.strangers]
    assert tab.complaints == []
    assert len(tab.requests) == 1  # the page itself


def test_wrong_count_is_found(visit, pair):
    """Planted fault: the page counts wrong answers as right."""
    fault = "function (a, i) { return a === order.strangers[i]; }).length"
    assert fault in pair.html
    tab = visit(pair.html.replace(fault, fault.replace("===", "!==")), SEED)
    enter(tab)
    tab.click("begin")
    sit(tab, listener(pair_order(SEED, 16), 12))
    assert told_p(tab) != expected_p(12, 16)


def test_fresh_secret_is_promised_and_kept(visit, pair, folder):
    """Truth: SHA-256 of the secret; nothing told before the end names a layout."""
    tab = visit(pair.html)
    enter(tab)
    for name in NAMES:
        assert name not in tab.run("document.documentElement.innerText + document.title")
        assert name not in pair.html
    tab.click("begin")
    seal = shown(tab, "seal")
    assert not tab.run("document.body.innerText").count("address: whoever knows")
    sit(tab, [0] * 16)
    got = json.loads(downloaded(tab, folder, "get-json", "answers.json").read_text())
    assert got["seed_from"] == "chance"
    assert seal_of(got["seed"]) == seal == got["seal"]
    assert got["strangers"] == list(pair_order(got["seed"], 16).strangers)
    assert 0 < sum(got["strangers"]) < 16  # all alike: once in 32 768 sittings
    tab.click("again")
    enter(tab)
    tab.click("begin")
    assert shown(tab, "seal") != seal


def test_answers_survive_a_reload_and_sittings_are_counted(visit, pair, folder):
    tab = visit(pair.html, SEED)
    answers = listener(pair_order(SEED, 16), 13)
    enter(tab)
    tab.click("begin")
    sit(tab, answers[:5])
    tab.reload()
    assert "5 of 16" in shown(tab, "left-over")
    enter(tab)
    tab.click("begin")
    sit(tab, answers[5:], begin=5)
    assert told_p(tab) == expected_p(13, 16)
    tab.click("again")
    enter(tab)
    tab.click("begin")
    tab.click("give-up")
    tab.wait("!document.getElementById('before').hidden")
    enter(tab)
    tab.click("begin")
    sit(tab, [0] * 16)
    got = json.loads(downloaded(tab, folder, "get-json", "answers.json").read_text())
    assert (got["sittings_begun"], got["sittings_finished"]) == (3, 2)
    assert "All of them count" in shown(tab, "sittings")
    assert tab.complaints == []


def test_page_works_where_nothing_is_kept(visit, pair):
    """A browser that refuses to keep anything: the sitting still comes to its end."""
    refuse = (
        '<script>Object.defineProperty(window, "localStorage", '
        '{ get: function () { throw new Error("no"); } });</script><footer>'
    )
    tab = visit(pair.html)  # clears what is kept, which the spoilt page cannot
    html = pair.html.replace("<footer>", refuse, 1)
    path = tab.run("location.pathname")
    with open(path, "w", encoding="utf-8") as file:
        file.write(html)
    tab.open(f"file://{path}#seed={SEED}")
    tab.reload()
    enter(tab)
    tab.click("begin")
    sit(tab, listener(pair_order(SEED, 16), 16))
    assert told_p(tab) == expected_p(16, 16)
    assert tab.complaints == []


def test_no_answer_before_the_stranger_was_heard(visit, pair):
    tab = visit(pair.html, SEED)
    enter(tab)
    tab.press("3")  # there is no stranger yet
    assert shown(tab, "desk").count("stranger") == 0
    tab.click("begin")
    tab.press("1", "2", "ArrowLeft", "Enter")
    assert shown(tab, "trial-name") == "Trial 1 of 16"
    assert tab.run("document.getElementById('confirm').disabled")
    tab.press("3", "Enter")
    assert shown(tab, "trial-name") == "Trial 2 of 16"


def embedded(html):
    return json.loads(re.search(r"var data = (\{.*\}), K = raysimKit", html)[1])["clips"]


def rendered(tab, packed, changes, seconds, player="null"):
    samples, durations = tab.run(
        f"{OFFLINE}({json.dumps(packed)}, {json.dumps(changes)}, {seconds}, {RATE}, {player})"
    )
    return np.array(samples), durations


def switch_faults(out, sounds, change_s, gap_s=0.01):
    """List where the output is not the clip that should sound, at the playhead it has.

    Tolerance: two steps of 16 bits, one for the dither.
    """
    found = []
    at = int(change_s * RATE)
    gap = int(gap_s * RATE) + 2
    n = sounds[0].size
    head = np.arange(out.size) - 480  # begins at 10 ms
    for which, part in ((0, slice(480 + gap, at - 1)), (1, slice(at + gap, out.size))):
        wanted = sounds[which][head[part] % n]
        if np.abs(out[part] - wanted).max() > 2.5 / 32768:
            found.append(which)
    return found


def test_change_keeps_the_playhead(visit, pair):
    """Truth: the clips as given; 1 s long, played for 2.4 s, so that they repeat."""
    tab = visit(pair.html)
    made = clips(*NAMES)
    out, durations = rendered(tab, embedded(pair.html), [[0, 0.01], [1, 1.3]], 2.4)
    assert durations == [1.0, 1.0]
    assert np.abs(out).max() > 0.1
    sounds = [c.samples[0] for c in made_even(made)]
    assert switch_faults(out, sounds, 1.3) == []
    # While it changes, nothing is louder than the two, and it is silent in the middle.
    middle = int(1.305 * RATE)
    assert np.abs(out[middle - 3 : middle + 4]).max() < 0.02


def test_restart_is_found(visit, pair):
    """Planted fault: a player that begins anew with each change."""
    tab = visit(pair.html)
    sounds = [c.samples[0] for c in made_even(clips(*NAMES))]
    restarting = """function (context, buffers) {
      var inner = raysimKit.player(context, buffers), first = true;
      return { exactVolume: function (v) { inner.exactVolume(v); }, show: function (i, at) {
        if (first) { first = false; inner.show(i, at); return; }
        inner.exactVolume(0);
        inner = raysimKit.player(context, buffers);
        inner.exactVolume(1);
        inner.show(i, at); } };
    }"""
    out, _ = rendered(tab, embedded(pair.html), [[0, 0.01], [1, 1.3]], 2.4, restarting)
    assert 1 in switch_faults(out, sounds, 1.3)


def test_change_to_the_same_sound_has_the_same_seam(visit, pair):
    """The seam must not tell if the stranger is the one just heard.

    Truth: the same clip twice; the output, divided by the clip, is the gate. Where the
    sound changes the gate must be the same.
    """
    tab = visit(pair.html)
    one, other = embedded(pair.html)
    same, _ = rendered(tab, [one, one], [[0, 0.01], [1, 0.3]], 0.5)
    stays, _ = rendered(tab, [one, other], [[0, 0.01], [0, 0.3]], 0.5)
    np.testing.assert_allclose(stays, same, atol=1e-6)
    plain, _ = rendered(tab, [one, other], [[0, 0.01]], 0.5)
    part = slice(int(0.3 * RATE), int(0.31 * RATE))
    gate = np.abs(stays[part]).sum() / np.abs(plain[part]).sum()
    assert gate == pytest.approx(0.5, abs=0.05)  # two straight ramps


def test_live_sound_starts_quiet_and_stops(visit, pair):
    """Truth: the clip's own level, less 36 dB; the meter sees 85 ms of a decaying second."""
    tab = visit(pair.html)
    enter(tab)
    assert tab.run("heardDb()") < -150.0
    tab.press("1")
    loudest = -200.0
    for _ in range(30):
        loudest = max(loudest, tab.run("heardDb()"))
        time.sleep(0.05)
    start = clips(*NAMES)[0].samples[0, 480:4576]
    clip_db = 10.0 * np.log10(np.mean(start**2))
    assert clip_db - 36.0 - 12.0 < loudest < clip_db - 36.0 + 3.0
    tab.press(" ")
    time.sleep(0.3)
    assert tab.run("heardDb()") < -150.0
    tab.run(
        "(function () { var v = document.getElementById('volume'); v.value = -48;"
        "v.dispatchEvent(new Event('input')); })()"
    )
    assert shown(tab, "volume-db") == "−48 dB"


def test_script_draws_as_python_does(visit, pair):
    """Truth: hashlib, and the draws of the key, for texts of all lengths round a block."""
    tab = visit(pair.html)
    texts = ["x" * n for n in (0, 1, 55, 56, 63, 64, 65, 119, 120, 200)]
    got = tab.run(f"{json.dumps(texts)}.map(raysimKit.hash)")
    assert got == [hashlib.sha256(t.encode()).hexdigest() for t in texts]
    got = tab.run(
        f"(function () {{ var d = raysimKit.draws('{SEED}'), out = [];"
        "for (var n = 2; n < 60; n++) { out.push(d.below(n), d.shuffled(n % 12)); }"
        "return out; })()"
    )
    draws = Draws(SEED)
    wanted = []
    for n in range(2, 60):
        wanted += [draws.below(n), draws.shuffled(range(n % 12))]
    assert got == wanted


def rate(tab, order, by_clip):
    """Listen to all sounds of a screen and rate them."""
    tab.press("0")
    for place, clip in enumerate(order):
        tab.press(str(place + 1))
        tab.run(
            f"(function () {{ var e = document.getElementById('rate-{place}');"
            f"e.value = {by_clip[clip]}; e.dispatchEvent(new Event('input')); }})()"
        )


def test_rating_comes_back_by_sound(visit, rating, folder):
    """Truth: what was given to each clip; medians of two by hand."""
    tab = visit(rating.html, SEED)
    for name in RATED:
        assert name not in rating.html
    enter(tab)
    n = len(rating.screens[0])
    assert n == 7
    orders = screen_orders(SEED, [n, n])
    given = [[95, 10, 30, 20, 40, 60, 80], [85, 20, 50, 20, 60, 60, 70]]
    for s in range(2):
        assert shown(tab, "screen-name") == f"Screen {s + 1} of 2"
        rate(tab, orders[s], given[s])
        if s == 0:
            assert not tab.run("document.getElementById('confirm').disabled")
        tab.click("confirm")
    tab.wait("!document.getElementById('end').hidden")
    assert "on 1 of 2 screens: by the rule below" in shown(tab, "found")
    text = downloaded(tab, folder, "get-json", "ratings.json")
    (sitting,) = read_sittings([text])
    for screen, values, names in zip(sitting.screens, given, rating.screens, strict=True):
        assert screen == dict(zip(names, values, strict=True))
    assert not sitting.has_found
    assert tally_ratings([sitting]) == []
    table = tab.run(
        "Array.from(document.querySelectorAll('#ratings tr')).map(function (tr) {"
        "return [tr.cells[0].innerText, tr.cells[2].innerText]; })"
    )
    medians = {
        name: np.median([given[0][i], given[1][i]]) for i, name in enumerate(rating.screens[0])
    }
    assert {name: float(value) for name, value in table} == medians
    assert table[0][0] == HIDDEN
    rows = downloaded(tab, folder, "get-csv", "ratings.csv").read_text().splitlines()
    assert len(list(csv.DictReader(rows))) == 14
    assert tab.complaints == []


def test_rating_waits_until_all_is_heard_and_rated(visit, rating):
    tab = visit(rating.html, SEED)
    enter(tab)
    order = screen_orders(SEED, [7, 7])[0]
    rate(tab, order[:6], [50] * 7)
    assert tab.run("document.getElementById('confirm').disabled")
    assert "Not listened to yet: 1" in shown(tab, "why-not")
    tab.press("7")
    assert "Not rated yet: 1" in shown(tab, "why-not")


def test_preference_comes_back_by_layout(visit, preference, folder):
    """Truth: who likes one layout best wins it every time; the order is drawn again."""
    tab = visit(preference.html, SEED)
    order = preference_order(SEED, 2, 2)
    enter(tab)
    assert shown(tab, "seal") == seal_of(SEED)
    for t, (_, left, _) in enumerate(order):
        assert shown(tab, "trial-name") == f"Comparison {t + 1} of 4"
        tab.press("1")
        best = 0 if left == 1 else 1
        words = 'dry, "warm"' if t == 0 else ""
        tab.run(
            f"document.querySelectorAll('input[name=rather]')[{best}].click();"
            "document.querySelectorAll('input[name=clearer]')[2].click();"
            f"document.getElementById('words').value = {json.dumps(words)}"
        )
        assert tab.run("document.getElementById('confirm').disabled")
        tab.press("2")
        tab.click("confirm")
    tab.wait("!document.getElementById('end').hidden")
    assert "the same room 2 of 2 times" in shown(tab, "same")
    (sitting,) = read_sittings([downloaded(tab, folder, "get-json", "preferences.json")])
    assert sitting.choices == ((NAMES[1], NAMES[0]),) * 4
    assert sitting.words == ('dry, "warm"',)
    table = downloaded(tab, folder, "get-csv", "preferences.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(table.splitlines()))
    assert [row["words"] for row in rows] == ['dry, "warm"', "", "", ""]
    assert {row["rather"] for row in rows} == {NAMES[1]}
    assert tab.complaints == []


def too_wide(tab, width):
    """Give how many pixels a page wants beyond its window, with all of it shown."""
    tab.run("document.querySelectorAll('[hidden]').forEach(function (e) { e.hidden = false; })")
    tab.run("document.querySelectorAll('details').forEach(function (e) { e.open = true; })")
    return tab.run("document.documentElement.scrollWidth") - width


@pytest.fixture(scope="module")
def pages(pair, rating, preference):
    return {
        "pair": pair.html,
        "rating": rating.html,
        "preference": preference.html,
        "pair sheet": pair_sheet(pair, SEED),
        "rating sheet": rating_sheet(rating, SEED),
        "preference sheet": preference_sheet(preference, SEED),
    }


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("end", ["", " sheet"])
@pytest.mark.parametrize("which", ["pair", "rating", "preference"])
def test_pages_fit_print_and_reach_nothing(visit, pages, which, end, width):
    """Truth: the window's own width; every id referred to exists; PDF has sheets."""
    tab = visit(pages[which + end])
    tab.resize(width)
    assert too_wide(tab, width) <= 0
    assert tab.complaints == []
    assert len(tab.requests) == 1
    lost = tab.run(
        "Array.from(document.querySelectorAll('a[href], label[for], output')).filter("
        "function (e) { var t = e.htmlFor ? String(e.htmlFor) : (e.hash || '').slice(1);"
        "return t && !document.getElementById(t); }).length"
    )
    assert lost == 0
    assert tab.run("document.querySelectorAll('[src], link:not([href^=data])').length") == 0
    assert len(re.findall(rb"/Type\s*/Page\b", tab.pdf())) >= 1


def test_wide_page_and_request_are_found(visit, pair):
    """Planted faults: something wider than the window, and a picture from elsewhere."""
    html = pair.html.replace("<main>", '<main><p style="width:1400px">wide</p>', 1)
    tab = visit(html.replace("<main>", '<main><img src="other.png" alt="">', 1))
    tab.resize(390)
    assert too_wide(tab, 390) > 0
    assert tab.complaints or len(tab.requests) > 1


def test_key_tells_the_order_after_a_gap(pair):
    """The helper's address comes first, what it unseals is out of sight; all is JSON."""
    text = key_text(pair_key(pair, SEED))
    key = json.loads(text)
    order = pair_order(SEED, 16)
    assert key["strangers"] == [("the first", "the second")[s] for s in order.strangers]
    assert key["the first"] == NAMES[order.first]
    top, _, _ = text.partition("\n" * 40)
    assert SEED in top
    assert "stranger" not in top
    assert NAMES[0] not in top
    assert seal_of(SEED) in pair_sheet(pair, SEED)
