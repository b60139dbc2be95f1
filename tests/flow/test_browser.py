"""Our pages in a real browser: no complaint, no sideways scroll, printed whole.

Needs Chromium. Without it these tests are skipped, but fail where CI=true is set.
"""

import json
import os
import re
import shutil
import subprocess
from html import escape, unescape
from pathlib import Path

import pytest
from pages import write_results

from raysim.planning.book import make_book
from raysim.planning.book_page import book_page, render_book
from raysim.report.render import write_page

#: Phone and desktop, in CSS pixels.
WIDTHS = (390, 1280)

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--enable-logging=stderr", "--virtual-time-budget=2000",
)  # fmt: skip

#: Told by the page itself once it stands: how wide it is, and how wide it wants to be.
PROBE = """<script>
window.addEventListener("load", function () {
  document.querySelectorAll("details").forEach(function (d) { d.open = true; });
  var e = document.documentElement;
  parent.document.documentElement.dataset.probe = JSON.stringify({
    width: window.innerWidth, needed: e.scrollWidth,
    pictures: Array.from(document.querySelectorAll("svg[role=img]")).filter(
      function (s) { var b = s.getBoundingClientRect(); return b.width > 200 && b.height > 80; }
    ).length
  });
});
</script></body>"""


@pytest.fixture(scope="module")
def chromium():
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        reason = "no Chromium here: what a browser makes of the page is not tested"
        if os.environ.get("CI") == "true":
            pytest.fail(reason)
        pytest.skip(reason)
    return found


@pytest.fixture(scope="module")
def html(tmp_path_factory):
    folder = tmp_path_factory.mktemp("browser")
    page = write_page(write_results(folder / "box.h5"), folder / "page.html")
    return page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def plan_html():
    scene = Path(__file__).parents[2] / "scenes/weir-bulletin"
    return render_book(book_page(make_book(scene, ["C2", "C4"])))


@pytest.fixture
def browse(chromium, tmp_path):
    """Give a function that opens HTML and returns the finished run."""

    def run(html, *flags):
        page = tmp_path / "page.html"
        page.write_text(html, encoding="utf-8")
        profile = tmp_path / "profile"
        done = subprocess.run(
            [chromium, *FLAGS, f"--user-data-dir={profile}", *flags, page.as_uri()],
            capture_output=True,
            text=True,
            timeout=60,
            check=True,
        )
        shutil.rmtree(profile, ignore_errors=True)
        return done

    return run


def probe(browse, html, width):
    """Open a page in a frame so wide; give what it and the browser say of it."""
    # A frame, because a window of its own is never narrower than 500 pixels.
    page = escape(html.replace("</body>", PROBE))
    frame = f'<iframe width="{width}" height="900" style="border:0" srcdoc="{page}"></iframe>'
    done = browse(f"<!doctype html>{frame}", "--dump-dom", "--window-size=1500,1000")
    told = re.search(r'data-probe="([^"]*)"', done.stdout)
    assert told is not None
    complaints = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    return json.loads(unescape(told[1])), complaints


@pytest.mark.parametrize("width", WIDTHS)
def test_page_fits_without_complaint(browse, html, width):
    """Truth: the window's own width; every picture takes up room. No tolerance."""
    told, complaints = probe(browse, html, width)
    assert complaints == []
    assert told["width"] == width
    assert told["needed"] <= width
    assert told["pictures"] == html.count('role="img"')


@pytest.mark.parametrize("width", WIDTHS)
def test_a_wide_page_is_found(browse, html, width):
    """Planted fault: something wider than the window."""
    wide = '<p style="width:1400px">wide</p></main>'
    told, _ = probe(browse, html.replace("</main>", wide), width)
    assert told["needed"] > width


@pytest.mark.parametrize("fault", ['console.error("no")', "nothing.at.all()"])
def test_a_complaint_is_found(browse, html, fault):
    """Planted fault: the page's script complains, or breaks."""
    _, complaints = probe(
        browse, html.replace("</main>", f"</main><script>{fault}</script>"), 390
    )
    assert len(complaints) == 1


def n_sheets(browse, html, folder):
    """Print a page to PDF; give the number of sheets."""
    pdf = folder / "page.pdf"
    browse(html, f"--print-to-pdf={pdf}", "--no-pdf-header-footer")
    return len(re.findall(rb"/Type\s*/Page\b", pdf.read_bytes()))


def test_page_prints_with_every_part_open(browse, html, tmp_path):
    """Truth: the same page with all parts open in the file needs as many sheets."""
    opened = re.sub(r"(<details id=\"[^\"]+\")>", r"\1 open>", html)
    assert opened != html
    assert n_sheets(browse, html, tmp_path) == n_sheets(browse, opened, tmp_path)


def test_printing_closed_parts_is_found(browse, html, tmp_path):
    """Planted fault: nothing opens the closed parts."""
    closed = re.sub(r"<script>.*</script>", "", html, flags=re.DOTALL)
    closed = re.sub(r"details:not.*content-visibility.*", "", closed)
    assert n_sheets(browse, closed, tmp_path) < n_sheets(browse, html, tmp_path)


@pytest.mark.parametrize("width", WIDTHS)
def test_plan_fits_without_complaint(browse, plan_html, width):
    """Truth: the window's own width; every drawing takes up room. No tolerance."""
    told, complaints = probe(browse, plan_html, width)
    assert complaints == []
    assert told["width"] == width
    assert told["needed"] <= width
    assert told["pictures"] == plan_html.count('role="img"') > 4


@pytest.mark.parametrize("width", WIDTHS)
def test_a_wide_plan_is_found(browse, plan_html, width):
    """Planted fault: nothing holds the widest tables in."""
    wide = re.sub(r"\.wide \{[^}]*\}", ".wide table { min-width: 1400px; }", plan_html)
    assert wide != plan_html
    told, _ = probe(browse, wide, width)
    assert told["needed"] > width


def test_plan_prints_each_layout_on_a_sheet_of_its_own(browse, plan_html, tmp_path):
    """Truth: two layouts; without the rule that parts them they need fewer sheets."""
    joined = plan_html.replace(".plan + .plan { break-before: page; }", "")
    assert joined != plan_html
    assert 1 < n_sheets(browse, joined, tmp_path) < n_sheets(browse, plan_html, tmp_path)
