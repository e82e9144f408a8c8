"""Pictures: stills, the offline page and the window, from the same scene."""

import base64
import gc
import json
import os
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest
from PIL import Image
from vtkmodules.vtkRenderingCore import vtkRenderWindow

import desurvey
from desurvey.problems import DataProblem
from tests.benches import fan, written
from viewer import page, scene, still, window


@pytest.fixture(autouse=True)
def _no_window_left():
    """Fail a test that leaves a render window behind."""
    yield
    gc.collect()
    assert not [left for left in gc.get_objects() if isinstance(left, vtkRenderWindow)]


def made(folder, **how):
    return scene.build(desurvey.open(folder), **how)


@pytest.fixture
def bench(tmp_path):
    return made(written(tmp_path / "bench"))


def pixels(path):
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB")).astype(int)


def near(picture, colour, within=30):
    wanted = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
    return int((np.abs(picture - wanted).max(axis=2) < within).sum())


def test_still_shows_discs_holes_and_texts(bench, tmp_path):
    picture = pixels(still.still(bench, tmp_path / "a.png", size=(800, 500)))
    assert picture.shape == (500, 800, 3)
    assert near(picture, "#D55E00") > 20  # the fault, in its colour
    assert near(picture, "#1B1F23") > 300  # texts
    assert near(picture, "#FFFFFF") > 0.7 * 800 * 500
    assert [file.name for file in tmp_path.glob("*.png")] == ["a.png"]


def test_dark_still_is_dark(bench, tmp_path):
    picture = pixels(still.still(bench, tmp_path / "a.png", size=(400, 300), look="dark"))
    assert np.median(picture) < 40


def test_still_of_many_holes(tmp_path):
    picture = pixels(still.still(made(written(tmp_path / "fan", fan(120))), tmp_path / "a.png", size=(800, 500)))
    assert near(picture, "#F0E442", within=60) > 20  # veins


def test_still_into_no_folder_is_refused(bench, tmp_path):
    with pytest.raises(DataProblem, match="isn't there"):
        still.still(bench, tmp_path / "no" / "a.png", size=(200, 100))


def test_nothing_is_printed_where_there_is_no_display(tmp_path):
    """VTK used to print a warning about a bad X server before it fell back to EGL."""
    folder = written(tmp_path / "bench")
    script = (
        "import sys; from tests.test_view import made; from viewer import still; "
        "still.still(made(sys.argv[1]), sys.argv[2], size=(200, 150))"
    )
    clean = {name: value for name, value in os.environ.items() if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
    done = subprocess.run(
        [sys.executable, "-c", script, folder, tmp_path / "a.png"],
        capture_output=True,
        text=True,
        env=clean,
        check=True,
    )
    assert done.stdout + done.stderr == ""


def test_page_refers_to_nothing_outside(bench, tmp_path):
    text = page.page(bench, tmp_path / "a.html").read_text(encoding="utf-8")
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!data:)[^"']+""", text)
    assert not re.findall(r"https?://|@import|url\(", text)
    assert "default-src 'none'" in text


def test_page_holds_the_scene(bench, tmp_path):
    text = page.page(bench, tmp_path / "a.html").read_text(encoding="utf-8")
    data = json.loads(re.search(r'id="scene">(.*?)</script>', text, re.S)[1])
    centre = np.frombuffer(base64.b64decode(data["discs"]["centre"]), dtype="<f4").reshape(-1, 3)
    assert centre == pytest.approx(bench.discs.centre, abs=1e-4)
    assert data["rows"]["columns"][0] == "source"
    assert {"B-1", "N", "Easting (m)"} <= {label[0] for label in data["labels"]}


def test_page_escapes_what_people_type(tmp_path):
    nasty = {"collars": ["<b>x</script>,500100,5400200,300,120,90,-60,drilled"]}
    text = page.page(made(written(tmp_path / "p", nasty, name="A & <i>B</i>")), tmp_path / "a.html").read_text("utf-8")
    assert "<h1>A &amp; &lt;i&gt;B&lt;/i&gt;</h1>" in text
    assert text.count("</script>") == 2
    assert "<b>x<\\/script>" in text


def test_window_without_a_screen_says_what_to_do(bench, monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(DataProblem, match=r"needs a screen.*--shot.*--html"):
        window.window(bench)


@pytest.mark.skipif(shutil.which("xvfb-run") is None, reason="needs Xvfb")
def test_window_opens_where_there_is_a_screen(tmp_path):
    """Under Xvfb: the window draws the scene, and the keys turn it."""
    script = (
        "import sys; from tests.test_view import made; from viewer import window;"
        "plotter = window.window(made(sys.argv[1]), size=(640, 400), wait=False);"
        "plotter.screenshot(sys.argv[2]); plotter.close()"
    )
    clean = {name: value for name, value in os.environ.items() if name != "VTK_DEFAULT_OPENGL_WINDOW"}
    command = ["xvfb-run", "-a", "-s", "-screen 0 1280x800x24", sys.executable, "-c", script]
    folder = written(tmp_path / "bench")
    done = subprocess.run(
        [*command, folder, tmp_path / "a.png"], capture_output=True, text=True, env=clean, check=False
    )
    assert done.returncode == 0, done.stderr
    assert near(pixels(tmp_path / "a.png"), "#D55E00") > 10
