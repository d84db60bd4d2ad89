"""The sheet as a page: one file that fetches nothing, says what the text says, and prints on one sheet."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from sequencer import show_folder
from sequencer.cli.main import run
from sequencer.errors import UsageError
from sequencer.figure import wiring
from sequencer.figure.facts import Facts, facts
from sequencer.figure.model import Figure
from sequencer.figure.read import read_figure
from sequencer.figure.sheet import cautions
from sequencer.timeline.fastest import fastest_s
from sequencer.view.sheet_page import sheet_page


class Page(HTMLParser):
    """The words of a page, the cells of its rows, and the tags that were left open."""

    VOID = frozenset(("meta", "link", "br", "img", "line", "circle", "path", "rect", "polyline", "polygon"))

    def __init__(self, text: str) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in self.VOID:
            return
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)
        if self.open and ("td" in self.open or "th" in self.open):
            self.rows[-1][-1] += data.strip()

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def keeper_facts() -> Facts:
    return facts(read_figure(show_folder.demo_folder()))


def _page(known: Facts, file: Path) -> str:
    sheet_page(known, fastest_s, file)
    return file.read_text(encoding="utf-8")


def _plain(known: Facts) -> Facts:
    """A figure of the same parts without any axis or linkage."""
    bare = replace(known.figure, axes={}, pairs={}, masses={}, poses_rad={})
    return facts(bare)


def test_the_page_has_every_pin_axis_servo_and_caution(keeper_facts: Facts, tmp_path: Path) -> None:
    page = Page(_page(keeper_facts, tmp_path / "sheet.html"))
    assert not page.open
    figure: Figure = keeper_facts.figure
    for row in wiring.rows(figure):
        assert [row.pin, row.what, row.does, row.connect] in page.rows
    firsts = [row[0] for row in page.rows if row]
    for name in (*figure.axes, *figure.servos):
        assert name in firsts
    for caution in cautions(figure):
        assert caution in page.text
    assert "6 V, 12 A" in page.text
    assert page.open == []


def test_the_margins_are_as_wide_as_they_say(keeper_facts: Facts, tmp_path: Path) -> None:
    text = _page(keeper_facts, tmp_path / "sheet.html")
    bars = re.findall(
        r'aria-label="(\d+) to (\d+) % held.*?<i style="width:([\d.]+)%"></i><b style="width:([\d.]+)%">',
        text,
        re.DOTALL,
    )
    assert len(bars) == len(keeper_facts.figure.axes)
    for low, high, unsure, sure in bars:
        assert float(sure) == pytest.approx(float(low), abs=0.51)
        assert float(unsure) == pytest.approx(float(high), abs=0.51)
    assert text.count('<u style="left:33.3') == len(bars)


def test_the_linkages_are_drawn(keeper_facts: Facts, tmp_path: Path) -> None:
    text = _page(keeper_facts, tmp_path / "sheet.html")
    assert text.count("<svg") == 2  # the neck's pair and the jaw's four-bar
    assert "<svg" not in _page(_plain(keeper_facts), tmp_path / "plain.html")


def test_nothing_is_fetched_and_no_script_runs(keeper_facts: Facts, tmp_path: Path) -> None:
    text = _page(keeper_facts, tmp_path / "sheet.html")
    assert set(re.findall(r"\bhttps?://[^\s\"'<]+", text)) <= {"http://www.w3.org/2000/svg"}
    assert "<script" not in text
    assert not re.search(r"@import|url\(|@font-face|\bsrc=", text)
    assert "default-src 'none'" in text


def test_names_cannot_break_out_of_the_page(keeper_facts: Facts, tmp_path: Path) -> None:
    named = replace(keeper_facts, figure=replace(keeper_facts.figure, name="<b>K & Co</b>"))
    text = _page(named, tmp_path / "sheet.html")
    assert "<b>K" not in text
    assert "&lt;b&gt;K &amp; Co" in text


def test_findings_stand_on_the_page(keeper_facts: Facts, tmp_path: Path) -> None:
    weak = replace(keeper_facts.figure.supply, rating_a=4.0)
    known = facts(replace(keeper_facts.figure, supply=weak))
    text = Page(_page(known, tmp_path / "sheet.html")).text
    assert "warning : all servos stalled at once draw 9.1 A" in text


def test_it_prints_on_one_sheet_of_paper(keeper_facts: Facts, tmp_path: Path) -> None:
    """Numbers on one side; the drawings, where there are any, on the other."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.fail(
            "this test drives a browser; install it: apt-get install -y --no-install-recommends chromium"
        )
    for known, sides in ((keeper_facts, 2), (_plain(keeper_facts), 1)):
        file, paper = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
        sheet_page(known, fastest_s, file)
        flags = ("--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer")
        command = [program, *flags, f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={paper}"]
        subprocess.run([*command, file.as_uri()], capture_output=True, timeout=120, check=False)
        assert len(re.findall(rb"/Type\s*/Page\b", paper.read_bytes())) == sides


@pytest.mark.parametrize("width", [600, 740, 900, 1280])
def test_nothing_sticks_out_of_its_card(keeper_facts: Facts, tmp_path: Path, width: int) -> None:
    """Measured by a browser: a script that the page itself doesn't have writes down what is too wide.

    On narrow screens a card scrolls by itself, and then the page must not.
    """
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.fail(
            "this test drives a browser; install it: apt-get install -y --no-install-recommends chromium"
        )
    measure = """<script>
      const over = [];
      for (const card of document.querySelectorAll("section"))
        for (const part of card.querySelectorAll("td, th, span, p, li"))
          if (part.getBoundingClientRect().right > card.getBoundingClientRect().right + 0.5 &&
              getComputedStyle(card).overflowX !== "auto")
            over.push(part.textContent.trim());
      const bars = [...document.querySelectorAll(".margin")].map(bar => bar.getBoundingClientRect().width);
      if (Math.max(...bars) - Math.min(...bars) > 0.5) over.push("bars of different lengths");
      if (document.documentElement.scrollWidth > innerWidth) over.push("the page");
      document.body.textContent = "OVER" + JSON.stringify(over) + "END";
    </script>"""
    file = tmp_path / "sheet.html"
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", _page(keeper_facts, file))
    file.write_text(text.replace("</body>", measure + "</body>"), encoding="utf-8")
    flags = ("--headless", "--no-sandbox", "--disable-gpu", f"--window-size={width},1200", "--dump-dom")
    command = [program, *flags, f"--user-data-dir={tmp_path / 'profile'}", file.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    found = re.search(r"OVER(.*?)END", done.stdout)
    assert found is not None
    assert found[1] == "[]"


def test_a_folder_that_is_not_there_is_told(keeper_facts: Facts, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot write"):
        sheet_page(keeper_facts, fastest_s, tmp_path / "missing" / "sheet.html")


def test_the_command_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "sheet.html"
    assert run(["figure", str(show_folder.demo_folder()), "--html", str(file)]) == 0
    assert f"wrote {file}" in capsys.readouterr().out
    assert "<h1>Lantern Keeper</h1>" in file.read_text(encoding="utf-8")


def test_the_sheet_imports_nothing_that_draws_plans_or_meshes() -> None:
    heavy = "matplotlib scipy trimesh jinja2 wasmtime lark mujoco serial"
    code = (
        "import sys\nfrom sequencer.cli.main import run\n"
        f"assert run(['figure', {str(show_folder.demo_folder())!r}]) == 0\n"
        f"print(sorted(set('{heavy}'.split()) & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
