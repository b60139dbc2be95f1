"""The commands about absorbers and noise: what they say, what they refuse, what they write.

Truth: tables computed from the Miki model beside the check, mean values of the printed
rows, and exact texts. Tolerance: half the last printed digit.
"""

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest

from raysim.absorbers.layers import AirGap, Holes, Membrane, Porous, Sheet, Slots, Stack
from raysim.cli import main
from raysim.errors import SettingsError
from raysim.planning.layer_words import is_layer, split, typed_stack
from raysim.planning.noise import answer, blanket_before_window, check_options, cover_limit_db
from raysim.planning.stack_facts import stack_facts, variants
from raysim.planning.stack_names import Shelf
from raysim.scene.prices import stock_prices


def said(capsys, *arguments):
    """Run a command that must go well; give what it prints, blanks made single."""
    assert main([str(a) for a in arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return " ".join(out.split())


def refused(capsys, *arguments):
    """Run a command that must complain; give its codes, and the whole text."""
    assert main([str(a) for a in arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    return re.findall(r"\[(RS-\w+)\]", err), err


# --- layers as typed --------------------------------------------------------------------

WOOL_100 = Porous(0.1, 10_000.0)


@pytest.mark.parametrize(
    ("words", "layers"),
    [
        (["wool 100 mm 10000"], (WOOL_100,)),
        (["Wool 10cm 10k"], (WOOL_100,)),
        (["wool 10000 Pa s/m2 0.1 m"], (WOOL_100,)),
        (["wool 100 10000 45 kg/m3"], (Porous(0.1, 10_000.0, density_kg_m3=45.0),)),
        (["wool 100 5000/8000/20000"], (Porous(0.1, 8000.0, "miki", 5000.0, 20_000.0),)),
        (["wool 100 5k-20k"], (Porous(0.1, 10_000.0, "miki", 5000.0, 20_000.0),)),
        (["wool 100 mm 10000", "gap 50"], (WOOL_100, AirGap(0.05))),
        (["wool 100 mm 10000 + air 5 cm"], (WOOL_100, AirGap(0.05))),
        (["cloth 200 .3 kg", "wool 100 10k"], (Sheet(0.3, 200.0), WOOL_100)),
        (["foil 200 g/m2", "wool 100 10k"], (Sheet(0.2, None), WOOL_100)),
        (["board 8 kg 150", "air 100"], (Membrane(8.0, 150.0), AirGap(0.1))),
        (["holes 6 mm 5 mm 20 mm", "air 50"], (Holes(0.006, 0.005, 0.02), AirGap(0.05))),
        (["slats 18 15 60 50", "wool 100 10k"], (Slots(0.018, 0.015, 0.06, 50.0), WOOL_100)),
    ],
)
def test_layers_as_typed(words, layers):
    """Truth: the records, typed apart."""
    typed = typed_stack(split(words))
    assert typed.stack == Stack(layers)
    assert typed.assumed == ()


def test_what_is_not_said_is_assumed_aloud():
    typed = typed_stack(["felt 12 mm"])
    assert typed.stack.layers == (Porous(0.012, 15_000.0, "miki", 8000.0, 30_000.0),)
    assert typed.assumed == (
        "felt: flow resistivity 15000 Pa s/m2 (8000 to 30000), common practice, no source; "
        "ask the maker.",
    )
    (dense,) = typed_stack(["wool 100 mm 48 kg/m3"]).stack.layers
    assert dense.high_pa_s_m2 / dense.low_pa_s_m2 >= 4.0  # rules differ by two either way
    assert dense.low_pa_s_m2 < dense.resistivity_pa_s_m2 < dense.high_pa_s_m2


def test_names_are_no_layers():
    assert is_layer("wool 100")
    assert is_layer("air 0.05 m")
    assert not is_layer("glass_wool_100")
    assert not is_layer("wool")


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["wol 100 mm"], "RS-M20", '"wol" is no kind of layer. Did you mean "wool"?'),
        (["wool 100 mm dense"], "RS-M20", '"dense" is not understood.'),
        (["wool 100 mm 50 mm"], "RS-M20", 'there is no use for "50 mm" here.'),
        (["foil 0.2 kg 3 mm", "air 50"], "RS-M20", 'there is no use for "3 mm" here.'),
        (["wool 100 mm 10"], "RS-S07", '"wool 100 mm 10": "resistivity_pa_s_m2" is 10.'),
        (["wool 5000 mm"], "RS-S07", '"thickness_mm" is 5000.'),
        (["wool 10000 Pa"], "RS-S03", '"thickness_mm" is missing.'),
        (["air 50 mm"], "RS-M05", "the layers are air alone."),
        (["wool 100 10k", "foil 0.2 kg"], "RS-M05", '"foil 0.2 kg": the last layer lies on'),
        (["holes 6 20 5", "air 50"], "RS-M05", "Spacing is from middle to middle"),
    ],
)  # fmt: skip
def test_layers_that_cannot_be(words, code, text):
    with pytest.raises(SettingsError) as caught:
        typed_stack(words)
    (complaint,) = caught.value.complaints
    assert complaint.code == code
    assert text in str(complaint)


def test_all_wrong_layers_are_told_at_once(capsys):
    codes, text = refused(capsys, "stack", "wol 100", "air 50 apples")
    assert codes == ["RS-M20", "RS-M20"]
    assert "2 mistakes; nothing was written" in text


# --- what a stack does ------------------------------------------------------------------


def wool_octaves(thickness_m, sigma, n_angle=2000):
    """Give absorption by octave of one layer of wool before a rigid wall, straight on and not.

    Miki, J. Acoust. Soc. Jpn. (E) 11 (1990) (seen second-hand); Zs = -j Zc k / kz cot(kz d);
    Paris' integral over evenly spaced angles; the mean of nine frequencies in each octave.
    """
    f = 1000.0 * 10.0 ** (0.3 * (np.arange(-4, 4)[:, None] + (np.arange(9) - 4.0) / 9.0))
    x = 1e3 * f[..., None] / sigma
    theta = (np.arange(n_angle) + 0.5) * 0.5 * np.pi / n_angle
    k0 = 2.0 * np.pi * f[..., None] / 343.2
    zc = 1.0 + 5.50 * x**-0.632 - 8.43j * x**-0.632
    k = k0 * (1.0 + 7.81 * x**-0.618 - 11.41j * x**-0.618)

    def alpha(theta):
        kz = np.sqrt(k**2 - (k0 * np.sin(theta)) ** 2)
        zs = -1j * zc * k / kz / np.tan(kz * thickness_m)
        return 1.0 - np.abs((zs * np.cos(theta) - 1.0) / (zs * np.cos(theta) + 1.0)) ** 2

    weight = np.sin(2.0 * theta)
    every = (alpha(theta) * weight).sum(axis=-1) / weight.sum()
    return alpha(np.zeros(1))[..., 0], every.mean(axis=1)


def furthest(thickness_m, stack):
    likely = wool_octaves(thickness_m, 10_000.0)[1]
    return float(np.abs(stack_facts("wool", stack).likely - likely).max())


def test_octaves_are_those_of_the_model():
    """Truth: the closed form above. Tolerance: both integrals over angles, 1e-3."""
    assert furthest(0.1, Stack((WOOL_100,))) < 1e-3
    assert furthest(0.1, Stack((WOOL_100,), local=True)) > 0.01  # twin: another reaction
    straight = stack_facts("wool", Stack((WOOL_100,))).third_normal[1::3]
    assert straight == pytest.approx(wool_octaves(0.1, 10_000.0)[0][:, 4], abs=1e-9)


def test_facts_hold_together():
    stack = Stack((Porous(0.1, 10_000.0, "miki", 5000.0, 20_000.0),))
    facts = stack_facts("wool", stack, prices=stock_prices())
    assert (facts.low <= facts.likely).all()
    assert (facts.likely <= facts.high).all()
    assert facts.likely == pytest.approx(facts.third_likely.reshape(8, 3).mean(axis=1))
    assert (facts.piece[:6] > facts.likely[:6]).all()  # edges add
    # 0.01 to 1 for f / sigma: 100 Hz to 10 kHz
    assert facts.outside.tolist() == [True] + 7 * [False]
    loose = Porous(0.1, 2000.0)
    assert stack_facts("w", Stack((loose,))).outside.tolist() == 5 * [False] + 3 * [True]
    assert str(facts.rating) == "0.95"
    assert facts.rating.grade == "A"
    base, gap_50, gap_100, double, half = facts.variants
    assert base.likely == pytest.approx(facts.likely)
    assert half.bass < base.bass < gap_50.bass < gap_100.bass < double.bass
    price = stock_prices().goods["wool_100"].price[1]
    assert base.filling_price == gap_100.filling_price == pytest.approx(price)
    assert double.filling_price == pytest.approx(2.0 * price)
    assert half.filling_price == pytest.approx(0.5 * price)


def test_variants_change_one_thing():
    stack = Stack((Sheet(0.3, 200.0), WOOL_100, AirGap(0.05)), local=True)
    made = variants(stack)
    front, wool, gap = made["100 mm more air behind"].layers
    assert (front, wool) == stack.layers[:2]
    assert gap.thickness_m == pytest.approx(0.15)
    assert made["twice as thick"].layers == (
        Sheet(0.3, 200.0), Porous(0.2, 10_000.0), AirGap(0.05)
    )  # fmt: skip
    assert all(one.local for one in made.values())
    tuned = variants(Stack((Membrane(8.0), AirGap(0.1))))
    assert "twice as thick" not in tuned


@pytest.mark.parametrize(
    ("layers", "sentence"),
    [
        (["wool 50 10k"], "Useful from about 500 Hz on. It takes next to nothing at 63 and"),
        (["wool 300 8k"], "Useful at all pitches. It reaches the bass."),
        (["felt 12 15k"], "Useful from about 2.5 kHz on. It takes next to nothing at 63, 125 "
         "and 250 Hz."),
        (["foil 0.2 kg", "wool 100 8k"], "Useful from about 160 Hz to 800 Hz alone. It takes a "
         "little at 63 and 125 Hz."),
        (["board 8 kg", "air 100"], "not much of an absorber by itself. It takes next to"),
    ],
)  # fmt: skip
def test_sentence(layers, sentence):
    """Truth: the thirds from which the model takes half, and its octaves of bass."""
    facts = stack_facts("x", typed_stack(layers).stack)
    assert sentence in facts.sentence
    good = facts.third_likely >= 0.5
    assert np.isfinite(facts.useful_from_hz) == good.any()


def test_stack_of_a_treatment(capsys):
    out = said(capsys, "stack", "wool_panel_100")
    assert out.startswith("wool_panel_100: Mineral wool panel")
    assert "Useful from about 200 Hz on. It takes a little at 63 and 125 Hz." in out
    assert "Weighted (ISO 11654) 0.95, absorption class A; NRC (ASTM C423) 0.85." in out
    assert "100 mm of air behind it adds" in out
    assert re.search(r"Twice as thick it adds 0\.\d\d m2 per m2 there for 9 EUR per m2", out)
    assert "63*" in out
    assert "beyond the measurements" in out


def test_stack_of_every_treatment_with_layers():
    """Nothing in the catalogue stops the command."""
    shelf = Shelf()
    layered = [one for one in shelf.treatments.values() if one.stack is not None]
    assert len(layered) > 5
    for one in layered:
        title, stack = shelf.stack(one.name)
        facts = stack_facts(title, stack)
        assert facts.sentence
        assert (facts.likely >= 0.0).all()
        assert (facts.likely <= 1.0).all()


def test_stack_of_a_scene(tmp_path, capsys):
    from quick import write_quick

    more = '[material.own_wool]\nlayers = [{kind = "porous", thickness_mm = 80, '
    more += "resistivity_pa_s_m2 = 9000}]\n"
    scene = write_quick(tmp_path / "room", ('south = "felt"', 'south = "own_wool"'), more=more)
    out = said(capsys, "stack", "own_wool", "--scene", scene)
    assert out.startswith("own_wool Useful from")
    codes, _ = refused(capsys, "stack", "own_wool")
    assert codes == ["RS-M01"]


@pytest.mark.parametrize(
    ("arguments", "code", "text"),
    [
        (["wool_pannel_100"], "RS-M01", 'Did you mean "wool_panel_100"?'),
        (["heavy_glass"], "RS-M21", "it is a row of a table"),
        (["pleated_curtain"], "RS-M21", "its layers are not known"),
        (["wool 100", "--piece-mm", "1.2", "0.6"], "RS-P01", "1.2 is not possible."),
        (["wool 100", "--picture", "a.png"], "RS-P08", "neither SVG nor HTML"),
        (["wool 100", "--picture", "/nowhere/a.svg"], "RS-H05", "does not exist"),
    ],
)
def test_stack_refuses(capsys, arguments, code, text):
    codes, told = refused(capsys, "stack", *arguments)
    assert codes == [code]
    assert text in told


def test_pictures_need_nothing_else(tmp_path, capsys):
    """Truth: well-formed XML, no address but that of the SVG language, the same bytes twice."""
    for name in ("a.svg", "a.html"):
        path = tmp_path / name
        out = said(capsys, "stack", "wool 100 mm 5k-20k", "air 50 mm", "--picture", path)
        assert f"Look at {path}" in out
        text = path.read_text(encoding="utf-8")
        svg = text[text.index("<svg") : text.index("</svg>") + 6]
        root = ElementTree.fromstring(svg)
        assert root.tag.endswith("svg")
        words = " ".join(root.itertext())
        assert "useful from 160 Hz" in words
        assert "one piece 1.2 × 0.6 m" in words
        links = set(re.findall(r"https?://[^\"' <]*", text))
        assert links <= {"http://www.w3.org/2000/svg"}
        said(capsys, "stack", "wool 100 mm 5k-20k", "air 50 mm", "--picture", path)
        assert path.read_text(encoding="utf-8") == text
    assert "share absorbed" in words
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "a.svg"]


# --- noise ------------------------------------------------------------------------------


def test_noise_says_no_first(capsys):
    out = said(capsys, "noise")
    assert out.startswith("Hardly: a blanket on a window, like foam, panels or a curtain,")
    assert "next to nothing against traffic, music and voices" in out
    assert "licensed builder" in out
    assert "local codes decide" in out
    assert "Never tape up a way of escape" in out
    assert "it stops 17.0" in out
    assert said(capsys, "noise", "--gap-mm", "0").startswith("No: a blanket")


def told_of_lows_db(text):
    return float(re.search(r"at most ([\d.]+) dB in the lows", text)[1])


@pytest.mark.parametrize("gap_m", [0.0, 0.05, 0.1])
def test_answer_promises_no_less_than_its_own_figures(gap_m):
    """Truth: the figures printed with it, lying on the glass among them; half a last digit."""
    blanket = blanket_before_window(gap_m=gap_m)
    lying_db = float(blanket.lying.most_db[:2].max())
    assert told_of_lows_db(answer(blanket)) >= lying_db - 0.05
    nothing = replace(blanket.lying, most_db=0.0 * blanket.lying.most_db)  # planted fault
    assert told_of_lows_db(answer(replace(blanket, lying=nothing))) < lying_db - 0.05


def test_blanket_before_window():
    """Truth: 20 lg(12/10) = 1.58 dB at most, lying; 10 % open caps all gains at 10 dB."""
    blanket = blanket_before_window(10.0, 2.0, 0.05, 0.1)
    assert blanket.lying.most_db.max() == pytest.approx(1.58, abs=0.01)
    assert (blanket.lying.most_db > 0.0).all()
    assert blanket.hung.most_db.max() < 10.0
    assert blanket.tight.most_db.max() > 10.0  # twin: nothing open
    assert blanket.tight.least_db.min() < -3.0  # near the resonance it lets more through
    assert blanket.resonance_hz == pytest.approx(208.0, abs=0.5)
    assert blanket.window_rated == "31(−2;−5)"
    assert "hardly stops noise: lying on the glass it adds at most 1.6 dB" in blanket.sentence


def test_blanket_gains_less_the_more_stays_open():
    gains = [
        blanket_before_window(open_share=share).hung.most_db[4]
        for share in (0.0, 0.1, 0.5, 0.99)
    ]
    assert gains == sorted(gains, reverse=True)
    assert gains[-1] < 0.1


def test_cover_limit():
    """Truth: -10 lg(1 - s): 0.97 dB for a fifth of a wall, 3.01 dB for half."""
    assert cover_limit_db(0.2) == pytest.approx(0.97, abs=0.005)
    assert cover_limit_db(0.5) == pytest.approx(3.01, abs=0.005)


def test_noise_refuses_all_at_once(capsys):
    codes, text = refused(capsys, "noise", "--gap-mm", "-3", "--blanket-kg-m2", "nan")
    assert codes == ["RS-P01", "RS-P01"]
    assert "what is heavier is a second pane" in text
    check_options({"--gap-mm": 0.0})
