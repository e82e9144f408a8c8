"""A story of kept views: slides, their PDF and the page that plays them, from views as the browser keeps them.

What a PNG and a PDF hold is read by Pillow and as ISO 32000-1 (7.7.3.3) writes pages; sizes are those of 16:9.
"""

import json
import re
from uuid import uuid4

import numpy as np
import pytest
from PIL import Image
from trame.app import get_server

import desurvey
from desurvey.problems import DataProblem
from tests.benches import layered, written
from viewer import theme
from viewer.app.app import App
from viewer.app.view import View
from viewer.scene import build
from viewer.scene.camera import Camera
from viewer.story import Slide, write_page, write_slides

TITLE = "Is <b>this</b> $right$?"


@pytest.fixture(scope="module")
def slides(tmp_path_factory):
    scene = build(desurvey.open(written(tmp_path_factory.mktemp("story") / "layered", layered())))
    middle = ((scene.frame.low + scene.frame.high) / 2).tolist()
    raw = {"eye": [middle[0], middle[1] - 900.0, middle[2]], "target": middle, "azimuth": 0.0, "dip": 0.0}
    camera = Camera.asked(
        raw | {"distance": 900.0, "parallel": True, "stretch": 1.0, "aside": 0.1, "size": [1920, 1080]}
    )
    first = Slide(TITLE, "One & all.", scene, scene, scene, "", camera, notes=("As logged.",))
    return [first, Slide("In the dark", "", scene, scene, scene, "", camera, look="dark")]


def test_slides_are_16_to_9_and_the_pdf_has_a_page_each(slides, tmp_path):
    paths = write_slides(slides, tmp_path / "story", pdf=tmp_path / "story.pdf", height=360)
    assert [path.name for path in paths] == ["01.png", "02.png"]
    corners = []
    for path in paths:
        with Image.open(path) as image:
            assert image.size == (640, 360)
            pixels = np.asarray(image.convert("RGB")).astype(int)
            corners.append(pixels[-1, -1].tolist())
            title = pixels[5:40, 15:400]
            assert np.ptp(title.reshape(-1, 3), axis=0).min() > 150  # letters stand there
    wanted = [[int(look.background[k : k + 2], 16) for k in (1, 3, 5)] for look in (theme.LIGHT, theme.DARK)]
    assert corners == wanted
    assert len(re.findall(rb"/Type /Page\b", (tmp_path / "story.pdf").read_bytes())) == 2


def test_the_page_holds_a_shared_scene_once_and_no_markup_of_a_person(slides, tmp_path):
    text = write_page(slides, tmp_path / "story.html").read_text(encoding="utf-8")
    held = json.loads(re.search(r'id="scene">(.*?)</script>', text, re.DOTALL)[1].replace("<\\/", "</"))
    assert len(held["scenes"]) == 1
    assert [(one["scene"], one["title"], one["said"]) for one in held["story"]] == [
        (0, TITLE, "One & all."),
        (0, "In the dark", ""),
    ]
    assert "default-src 'none'" in text


def test_a_story_needs_a_view(tmp_path):
    with pytest.raises(DataProblem, match="needs a kept view"):
        write_page([], tmp_path / "story.html")
    assert not list(tmp_path.iterdir())


# ---- the views themselves -----------------------------------------------------------------------------------

CAMERA = {"azimuth": 1.0, "dip": -2.0, "distance": 3.0, "target": [0, 0, 0], "parallel": True}
TAB = {"stretch": 1, "thickness": 40, "place": 0, "azimuth": 90, "panel": "lines_up", "fault": "F1", "on": False}


@pytest.fixture
def keeping(tmp_path):
    """Give a function that opens a project's viewer, without a browser, and returns its kept views."""
    folder = written(tmp_path / "bench")

    def anew():
        server = get_server(f"lowside-{uuid4()}", client_type="vue3")
        return App(desurvey.open(folder), server, "token", View()).keeping

    return anew


def test_titles_sentences_and_order_of_views_are_kept(keeping):
    first = keeping()
    for name in ("a", "b", "c"):
        first.save_view(name, CAMERA | {"tab": TAB})
    first.say_view("b", "  what\n b  says ")
    first.move_view("c", -1)
    first.move_view("a", -1)  # stays first
    first.save_view("b", CAMERA | {"tab": TAB, "azimuth": 9.0})  # a view kept anew keeps its sentence and place
    found = keeping().slides()
    assert [(one.name, one.said) for one in found] == [("a", ""), ("c", ""), ("b", "what b says")]
    assert found[2].camera["azimuth"] == 9.0
    assert found[0].camera["tab"]["fault"] == "F1"
