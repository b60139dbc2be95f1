"""The part of the page about the bass: there if there is bass, whole, and said in words."""

import re
from html import unescape

import pytest
from basses import made_up
from pages import faults_of, write_results

from raysim.report.render import write_page
from raysim.store.file import open_results, write_bass

#: Two layouts of the made-up scene: pictures without bass, and those that bass adds.
NAMES = ("bare", "treated")
N_PAIR, N_SOURCE = 3, 2
N_WITHOUT = 4 + len(NAMES) * (1 + N_PAIR * 3)
N_BASS = N_PAIR * 2 + len(NAMES) * N_SOURCE


def page_of(path):
    return write_page(path, path.with_suffix(".html")).read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def without(tmp_path_factory):
    path = write_results(tmp_path_factory.mktemp("bass") / "box.h5", NAMES)
    return path, page_of(path)


@pytest.fixture(scope="module")
def html(without, tmp_path_factory):
    path = tmp_path_factory.mktemp("bass") / "box.h5"
    path.write_bytes(without[0].read_bytes())
    with open_results(path) as results:
        pairs = results.pair_names(NAMES[0])
        counts = len(results.sources), len(results.receivers)
        heights = [float(r.position_m[2]) for r in results.receivers]
    for name in NAMES:
        write_bass(path, name, "key of " + name, made_up(pairs, *counts, height_m=heights[0]))
    return page_of(path)


def bass_part(html):
    found = re.search(r'<section id="bass">.*?</section>', html, re.DOTALL)
    return found and found[0]


def test_page_without_bass_has_no_such_part(without):
    assert bass_part(without[1]) is None
    assert 'href="#bass"' not in without[1]
    assert faults_of(without[1], N_WITHOUT) == []


def test_page_with_bass_is_whole(html):
    """Truth: what a self-contained page is, all pictures counted; one less is a fault."""
    assert 'href="#bass"' in html
    assert faults_of(html, N_WITHOUT + N_BASS) == []
    assert faults_of(html, N_WITHOUT + N_BASS - 1)


def test_all_layouts_are_on_one_scale(html):
    """Each picture of levels has a line of every layout, told apart by dash."""
    pictures = re.findall(r'<figure id="bass-\d-level".*?</figure>', bass_part(html), re.DOTALL)
    assert len(pictures) == N_PAIR
    for picture in pictures:
        assert len(re.findall(r'class="seat l0"', picture)) == 2  # the line and its key
        assert len(re.findall(r'class="seat l1"', picture)) == 2
        assert "seat l2" not in picture


def test_map_names_its_classes_and_marks_the_best_place(html):
    part = unescape(bass_part(html))
    maps = re.findall(r'<figure id="bass-map-\d".*?</figure>', part, re.DOTALL)
    assert len(maps) == len(NAMES) * N_SOURCE
    for one in maps:
        assert 'class="best"' in one
        assert "under 10 dB" in one
        assert "over 30" in one
        assert "most even place" in one


def test_limits_stand_with_the_numbers(html):
    """What cannot be known is said in the same part, and numbers keep to their sense."""
    part = unescape(bass_part(html))
    assert "below 125" in part.replace("\N{NO-BREAK SPACE}", " ")
    assert "common practice" in part
    assert "nan" not in part
    assert "inf" not in re.sub("[a-z]+inf|inf[a-z]+", "", part)


def test_faults_are_noticed(html):
    """Planted faults: a picture without its words, an id twice."""
    part = bass_part(html)
    broken = html.replace('id="bass-1-level"', 'id="bass-1-ringing"', 1)
    assert faults_of(broken, N_WITHOUT + N_BASS)
    assert faults_of(html.replace(part, "", 1), N_WITHOUT + N_BASS)
