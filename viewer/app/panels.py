"""What stands on the page: the space, the questions beside it, the net under them. No logic, only names of state."""

from __future__ import annotations

from trame.ui.vuetify3 import VAppLayout
from trame.widgets import html
from trame.widgets import vuetify3 as v
from trame_client.widgets.core import AbstractElement
from trame_server.core import Server

from desurvey.exchange.facts import CAUTION
from viewer.app.desk import BY_SET

__all__ = ["lay_out"]

PANELS = (("possible", "Possible?"), ("lines_up", "Lines up?"), ("next_hole", "Next hole?"), ("show", "Show"))

KEYS = (
    ("1 2 3 4", "the four questions; back and forward of the browser go between them"),
    ("F  G", "next and previous fault, edge-on"),
    ("R  P  N  W", "whole scene, from above, looking north, looking west"),
    ("E  H  S", "edge-on, down the hole, square to section of what is selected"),
    ("O  T", "parallel sight; turn slowly"),
    ("arrows  +  −", "turn; come nearer, go away"),
    ("[  ]", "slab one step back, on"),
    (",  .", "previous and next hole along the fence"),
    ("X  I  A", "hide what is selected, show it alone, show everything"),
    ("Ctrl Z  Ctrl Y", "undo, redo: decisions and views alike"),
    ("Escape", "leave a box; else nothing selected"),
)


PICK_ROW = (
    "list_all || $event.ctrlKey || $event.metaKey"
    " ? ask('pick_row', [r.row, $event.ctrlKey || $event.metaKey]) : ask('show_row', [r.row])"
)
"""A click on a row of the list: among all rows it selects; among the selected ones it shows the card only."""


BEYOND = "aim_meetings.some((one) => one.beyond)"
"""Whether the planned hole meets a fault beyond its extent, which a column says then."""


def lay_out(server: Server, project: str) -> None:
    """Make the page of a server."""
    with VAppLayout(server, theme=("look",), classes=("'low-' + look",)) as layout:
        fold = ':class="{ folded: tab.folded }"'
        width = ":style=\"tab.side ? { '--side': tab.side + 'px' } : {}\""
        with html.Div(classes="low-all", raw_attrs=[fold, width]):
            _space()
            with html.Div(classes="low-side", raw_attrs=['role="complementary"', 'aria-label="The four questions"']):
                html.Div(
                    classes="low-grip",
                    title="Drag: wider or narrower; double click: as wide as usual",
                    raw_attrs=['@pointerdown="grip"', '@dblclick="tab.side = null"', 'aria-hidden="true"'],
                )
                _tabs()
                _lacks()
                with html.Div(classes="low-panel", raw_attrs=[':key="tab.panel"']):
                    _possible()
                    _lines_up()
                    _next_hole()
                    _show()
                _own("low-net", version="net_version", chosen="chosen")
        _keys()
        layout.server.state.trame__title = f"{project} – lowside"


def _own(name: str, **names: str) -> None:
    """Put one of the app's own elements (web/app.js) on the page; its properties follow names of state."""
    AbstractElement(name, raw_attrs=[f':{key}="{value}"' for key, value in names.items()])


def _space() -> None:
    names = (
        "version", "drawing", "chosen", "aim", "views", "story", "project", "verdict", "basis", "marks", "message",
        "busy", "undo_said", "redo_said", "edge_on",
    )  # fmt: skip
    _own("low-space", **{name: name for name in names})


def _tabs() -> None:
    with v.VTabs(density="compact", grow=True, show_arrows=False, raw_attrs=['v-model="tab.panel"']):
        for number, (name, text) in enumerate(PANELS, start=1):
            v.VTab(text, value=name, title=f"Key {number}", classes="text-none px-1")
    with html.Div(v_if="busy", classes="low-busy", raw_attrs=['role="status"']):
        v.VProgressLinear(
            indeterminate=("busy_share < 0",), model_value=("100 * Math.max(busy_share, 0)",), height=3,
            color="primary", raw_attrs=[':aria-label="busy"'],
        )  # fmt: skip
        html.Span("{{ busy }} … {{ busy_share < 0 ? '' : Math.floor(100 * busy_share) + ' %' }}")
        html.Button("stop", v_if="busy_stops", classes="low-button", click="trigger('stop_work')")


def _lacks() -> None:
    with html.Div(v_if="lacks.length && !tab.lacks_read", classes="low-lacks", raw_attrs=['role="note"']):
        html.Button("×", classes="low-button low-close", title="Close", click="tab.lacks_read = true")
        html.P("{{ one }}", v_for="one in lacks", key="one")


def _possible() -> None:
    with html.Div(v_if="tab.panel === 'possible'"):
        html.P("{{ suspects_said }}")
        html.Button(
            "look for suspects",
            classes="low-button",
            v_if="!suspects.length && !busy",
            click="trigger('find_suspects')",
        )
        with html.Label(v_if="suspects.length", classes="low-why"):
            html.Span("why ", classes="quiet")
            html.Input(raw_attrs=['type="text"', 'v-model="why"', 'maxlength="300"',
                                  'placeholder="for the next decision"'])  # fmt: skip
        with html.Template(v_for="group in suspects", key="group.key"):
            with html.Div(v_if="!group.said", classes="low-group"):
                _suspects()
            with html.Details(v_if="group.said", classes="low-group"):
                html.Summary("{{ group.said }}")
                _suspects()
        _findings()


def _suspects() -> None:
    on = ":class=\"{ 'low-item': true, on: one.explained }\""
    with html.Div(v_for="one in group.items", key="one.key", raw_attrs=[on]):
        html.P("{{ one.said }}")
        html.P("{{ one.answer }}", v_if="one.answer", classes="quiet")
        with html.Div(classes="low-row"):
            html.Button("select", classes="low-button", click="ask('pick_suspect', [one.key], true)")
            html.Button(
                "{{ one.explained ? 'show as logged' : 'show as explained' }}", classes="low-button",
                click="trigger('explain', [one.key, !one.explained])",
            )  # fmt: skip
            html.Button("accept", classes="low-button", click="trigger('accept_suspect', [one.key])")
            html.Button("set aside", classes="low-button", click="trigger('set_aside_suspect', [one.key])")
            html.Button(
                "undecide", classes="low-button", v_if="one.answer", click="trigger('undecide_suspect', [one.key])"
            )


def _findings() -> None:
    html.H2("Findings")
    with html.Div(classes="low-row"):
        html.Span("{{ findings_said }}")
        with html.Select(raw_attrs=['v-model="finding_severity"', 'aria-label="findings to list"']):
            for value, text in (("all", "all"), ("error", "errors"), ("warning", "warnings"), ("note", "notes")):
                html.Option(text, value=value)
    with html.Div(v_for="one in findings", key="one.key", classes="low-finding"):
        with html.Div(v_if="one.rows.length === 1"):
            _finding("one.rows[0]", "`${one.rows[0].where}. ${one.do}`", "{{ one.severity }}: ")
        with html.Details(v_if="one.rows.length > 1"):
            with html.Summary(title=("one.do",)):
                html.B("{{ one.severity }}: ")
                html.Span("{{ one.said }} ")
            _why("one.why")  # beside the summary: what opens a list may hold nothing else that can be pressed
            with html.Div(v_for="row in one.rows", key="row.number"):
                _finding("row", "row.where", "")


def _finding(row: str, title: str, severity: str) -> None:
    show = f"ask('show_finding', [{row}.number], true)"
    with html.Button(classes="low-way", title=(title,), click=show):
        if severity:
            html.B(severity)
        html.Span(f"{{{{ {row}.said }}}} ")
        html.Span(f"{{{{ {row}.hole }}}} {{{{ {row}.depth && {row}.depth + ' m' }}}}", classes="quiet nowrap")
    if severity:
        _why("one.why")


def _why(page: str) -> None:
    """Lead to the handbook's part on a rule or a blunder."""
    html.A("why", href=(f"`handbook/${{{page}}}`",), target="_blank", classes="low-why")


def _lines_up() -> None:
    with html.Div(v_if="tab.panel === 'lines_up'"):
        with html.Div(classes="low-row", v_if="can_line_up"):
            html.Span("structures of kind", classes="quiet")
            with html.Select(raw_attrs=['v-model="lineup_kind"', 'aria-label="kind to line up"']):
                html.Option("{{ kind }}", v_for="kind in lineup_kinds", key="kind", raw_attrs=[':value="kind"'])
            html.Button(
                "{{ faults.length ? 'line up anew' : 'line up' }}", classes="low-button", v_if="!busy",
                click="trigger('find_faults')",
            )  # fmt: skip
        html.P("{{ lineup_said }}")
        html.P("{{ lineup_basis }}", v_if="lineup_basis", classes="quiet")
        html.P("{{ lineup_stale }}", v_if="lineup_stale && !busy", raw_attrs=['role="status"'])
        _faults()
        _no_fault()
        _picks()
        _windows()
        with html.Div(v_if="lineup_words.length"):
            html.H2("In words")
            html.P("{{ one }}", v_for="(one, k) in lineup_words", key="k")


def _faults() -> None:
    with html.Div(
        v_for="f in faults", key="f.id", classes="low-item",
        raw_attrs=["@dragover.prevent", "@drop=\"trigger('pin_pick', [dragged, f.id])\""],
    ):  # fmt: skip
        with html.Div(classes="low-row"):
            html.Span(classes="low-swatch", raw_attrs=[':style="{ background: f.colour }"'])
            html.B("{{ f.id }}")
            html.Span("{{ f.said }}, {{ f.count }}")
        with html.Div(classes="low-row"):
            html.Span("{{ f.fit }}", classes="quiet")
            html.Button("select its picks", classes="low-button", click="ask('pick_fault', [f.id])")
            html.Button(
                "edge-on", classes="low-button", title="Key F: the next one", click="see_fault(f.id)",
                raw_attrs=[":aria-pressed=\"tab.fault === f.id\""],
            )  # fmt: skip


def _no_fault() -> None:
    """Put a place on the page on to which picks of no fault are dragged."""
    html.Div(
        "no fault: drag a pick here to pin it to none", v_if="faults.length", classes="low-loose quiet",
        raw_attrs=["@dragover.prevent", "@drop=\"trigger('pin_pick', [dragged, ''])\""],
    )  # fmt: skip


def _picks() -> None:
    with html.Div(v_if="picks.length"):
        html.H2("Picks")
        html.P("drag a pick on to a fault, or choose one, to pin it there", classes="quiet")
        with html.Table(classes="low-table"):
            with html.Tr():
                for name in ("pick", "fault", "from the others", "or", "pin to"):
                    html.Th(name)
            with html.Tr(
                v_for="p in picks", key="p.id", classes="pickable", click="ask('pick_name', [p.id])",
                raw_attrs=[
                    'tabindex="0"', "@keydown.enter.self=\"ask('pick_name', [p.id])\"", 'draggable="true"',
                    '@dragstart="dragged = p.id"', ':data-pick="p.id"',
                ],
            ):  # fmt: skip
                html.Td("{{ p.where }}")
                html.Td("{{ p.fault }}{{ p.pinned ? ', pinned' : '' }}")
                html.Td("{{ p.misfit }} {{ p.degrees }}")
                html.Td("{{ p.runner_up }}")
                with html.Td(raw_attrs=["@click.stop"]):
                    change = "trigger('pin_pick', [p.id, $event.target.value])"
                    with html.Select(raw_attrs=[f'@change="{change}"', ":aria-label=\"'pin ' + p.where\""]):
                        html.Option("…", raw_attrs=['value=""', "disabled", "selected"])
                        html.Option("{{ f.id }}", v_for="f in faults", key="f.id", raw_attrs=[':value="f.id"'])
                        html.Option("none", raw_attrs=['value=""'])
                        html.Option("as found", v_if="p.pinned", raw_attrs=['value="*"'])


def _windows() -> None:
    with html.Div(v_if="windows.length"):
        html.H2("Look again")
        html.P("lengths in which a fault should be (95 %) and nothing is logged", classes="quiet")
        html.A("list to print", raw_attrs=['href="relog.html"', 'target="_blank"'], classes="low-button")
        with html.Table(classes="low-table"):
            with html.Tr():
                for name in ("hole", "from – to, m", "fault", "angle to core"):
                    html.Th(name)
                html.Th("chance", v_if="windows.some((one) => one.chance)")
            show = "ask('show_window', [w.fault, w.hole], true)"
            with html.Tr(
                v_for="(w, k) in windows", key="k", classes="window pickable",
                raw_attrs=['tabindex="0"', f'@click="{show}"', f'@keydown.enter="{show}"'],
            ):  # fmt: skip
                html.Td("{{ w.hole }}")
                html.Td("{{ w.depth }}")
                html.Td("{{ w.fault }}")
                html.Td("{{ w.angle }}")
                html.Td("{{ w.chance }}", v_if="windows.some((one) => one.chance)")


def _next_hole() -> None:
    with html.Div(v_if="tab.panel === 'next_hole'"):
        html.P(
            "There are no picks to line up, and so no fault to meet; what the holes are blind to is on the net.",
            v_if="!can_line_up",
        )
        with html.Div(classes="low-row"):
            html.Span("start from", classes="quiet")
            with html.Select(raw_attrs=[":value='aim_start'", "aria-label='hole to start from'",
                                        "@change=\"trigger('start_from', [$event.target.value])\""]):  # fmt: skip
                html.Option("{{ hole }}", v_for="hole in holes", key="hole", raw_attrs=[':value="hole"'])
            _tick("show it", "aim_on")
        _slider("azimuth", "aim_azimuth", "°", low="0", high="360", step="0.1", typed=True)
        _slider("dip", "aim_dip", "°", low="-90", high="90", step="0.1", typed=True)
        _slider("length", "aim_length", "m", low="10", high="800", step="1", typed=True)
        with html.Div(classes="low-row"):
            for text, name in (("E", "aim_easting"), ("N", "aim_northing"), ("elevation", "aim_elevation")):
                with html.Label():
                    html.Span(text + " ", classes="quiet")
                    html.Input(
                        raw_attrs=['type="number"', 'step="1"', f'v-model.number="{name}"', 'style="width: 8em"']
                    )
        with html.Div(v_if="planned_met.length && !aim_on"):
            html.H2("Planned holes")
            with html.Table(classes="low-table"):
                with html.Tr():
                    for name in ("hole", "fault", "meets it at", "angle to core", ""):
                        html.Th(name)
                show = "trigger('start_from', [m.hole])"
                with html.Tr(
                    v_for="m in planned_met", key="m.hole + m.fault", classes="pickable", title="Start from this hole",
                    raw_attrs=['tabindex="0"', f'@click="{show}"', f'@keydown.enter="{show}"'],
                ):  # fmt: skip
                    for name in ("hole", "fault", "depth", "angle"):
                        html.Td(f"{{{{ m.{name} }}}}")
                    html.Td("{{ m.beyond }}", classes="quiet")
        html.H2("Meets", v_if="aim_on")
        html.P("{{ aim_said }}", raw_attrs=['style="white-space: pre-line"'], v_if="aim_on && !aim_meetings.length")
        with html.Table(classes="low-table", v_if="aim_meetings.length"):
            with html.Tr():
                for name in ("fault", "at", "window (95 %), m", "angle"):
                    html.Th(name)
                html.Th("extent", v_if=BEYOND)
            with html.Tr(v_for="m in aim_meetings", key="m.id"):
                with html.Td():
                    html.Span(classes="low-swatch", raw_attrs=[':style="{ background: m.colour }"'])
                    html.Span(" {{ m.id }}")
                html.Td("{{ m.depth }}")
                html.Td("{{ m.window }}")
                html.Td("{{ m.angle }}")
                html.Td("{{ m.beyond }}", classes="quiet", v_if=BEYOND)
        with html.Div(v_if="faults.length"):
            html.H2("Aim")
            with html.Div(classes="low-row"):
                html.Span("at elevation", classes="quiet")
                html.Input(raw_attrs=['type="number"', 'step="5"', 'v-model.number="aim_level"', 'style="width: 6em"',
                                      'aria-label="elevation to aim at"'])  # fmt: skip
                html.Span("of", classes="quiet")
                html.Button(
                    "{{ f.id }}",
                    v_for="f in faults",
                    key="f.id",
                    classes="low-button",
                    click="trigger('aim_at', [f.id])",
                )
        with html.Div(v_if="aim_row || aim_wrong"):
            html.H2("Line for the collars table")
            html.P("{{ aim_wrong }}", v_if="aim_wrong", classes="low-wrong", raw_attrs=['role="alert"'])
            with html.Div(v_if="aim_row"):
                html.P("{{ aim_file }}, in its own columns and units; nothing is written.", classes="quiet")
                html.Code("{{ aim_head }}", classes="low-line quiet", v_if="aim_head")
                html.Code("{{ aim_row }}", classes="low-line", raw_attrs=['data-row="collar"'])
                html.Button("copy the line", classes="low-button", click="copy(aim_row)")
        html.P(
            "A planned hole sets out as stated and bends as this project's rods do on average; "
            "the window holds how far they may wander. "
            "On the net, the line bounds the poles of planes that it alone would meet at less than 20°; the areas are "
            "those of all drilled holes together: a plane counts with the hole that meets it best.", classes="quiet",
        )  # fmt: skip
        html.P(CAUTION, classes="quiet")


def _show() -> None:
    with html.Div(v_if="tab.panel === 'show'"):
        _selection()
        html.H2("Colour")
        _choice("discs by", "discs_by", "disc_columns", v_if="kinds.length")
        _choice("holes by", "holes_by", "hole_columns")
        html.H2("Which")
        with html.Div(classes="low-kinds"), html.Label(v_for="kind in kinds", key="kind"):
            _box("kinds_on", value="kind")
            html.Span("{{ kind }}")
        _hole_filter()
        with html.Div(classes="low-kinds", v_if="grades.length"):
            html.Span("run grade: ", classes="quiet")
            with html.Label(v_for="grade in grades", key="grade"):
                _box("grades_on", value="grade")
                html.Span("{{ grade }}")
        _sets()
        _slider("from depth", "depth_from", "m", low="0", high="deepest", step="5")
        _slider("to depth", "depth_to", "m", low="0", high="deepest", step="5")
        with html.Label(classes="wide"):
            html.Span("suspicion")
            with html.Select(v_model=("suspicion",)):
                html.Option("all readings", value="all")
                html.Option("suspects only", value="suspect")
                html.Option("without suspects", value="clear")
        html.H2("How")
        _slider("disc size", "disc_size", "×", low="0.3", high="4", step="0.1")
        with html.Div(classes="low-kinds"):
            _tick("larger for wider structures", "by_width")
            _tick("95 % doubt of selection", "doubt")
            _tick("depths along holes", "depths")
            with html.Label():
                _box("look", on="dark", off="light")
                html.Span("dark")
            with html.Label():
                _box("drawing", on="here", off="server")
                html.Span("draw in this browser")
        _slider("vertical scale", "tab.stretch", "×", low="0.5", high="5", step="0.5")
        _slab()
        _pictures()
        _kept_views()
        html.H2("About")
        html.P(CAUTION, classes="quiet")
        html.Button("keys", classes="low-button", click="tab.keys = !tab.keys", title="Key ?")
        html.A("handbook", href="handbook/start.html", target="_blank", classes="low-link")


def _hole_filter() -> None:
    """Put names of holes on the page that alone are shown: typed or chosen, and taken off again."""
    add = "if (holes.includes(NAME) && !holes_on.includes(NAME)) { holes_on = [...holes_on, NAME]; } NAME = ''"
    with html.Label(classes="wide"):
        html.Span("only holes")
        html.Input(raw_attrs=['list="low-holes"', 'placeholder="all; add one"', 'type="text"',
                              f'@change="{add.replace("NAME", "$event.target.value")}"'])  # fmt: skip
    with html.Datalist(raw_attrs=['id="low-holes"']):
        html.Option(v_for="hole in holes", key="hole", raw_attrs=[':value="hole"'])
    with html.Div(classes="low-row", v_if="holes_on.length"):
        html.Button(
            "{{ hole }} ×", v_for="hole in holes_on", key="hole", classes="low-button",
            click="holes_on = holes_on.filter((other) => other !== hole)", raw_attrs=[':title="`Leave ${hole} out`"'],
        )  # fmt: skip


def _sets() -> None:
    with html.Div(classes="low-row"):
        html.Span("sets of", classes="quiet")
        with html.Select(raw_attrs=['v-model="sets_kind"', 'aria-label="kind to find sets of"']):
            html.Option("all kinds", raw_attrs=['value=""'])
            html.Option("{{ kind }}", v_for="kind in kinds", key="kind", raw_attrs=[':value="kind"'])
        html.Button("find sets", classes="low-button", v_if="!busy", click="trigger('find_sets')")
        by_set = f"discs_by = '{BY_SET}'"
        html.Button("colour by set", classes="low-button", v_if="sets.length", click=by_set)
    html.P("{{ sets_said }}", v_if="sets_said", classes="quiet")
    with html.Div(classes="low-sets"), html.Label(v_for="one in sets", key="one.name"):
        _box("sets_on", value="one.name")
        html.Span(classes="low-swatch", raw_attrs=[':style="{ background: one.colour }"'])
        html.Span("{{ one.name }}")
        html.Span("{{ one.plane }}", classes="quiet")
        html.Span("({{ one.count }})", classes="quiet")


def _selection() -> None:
    html.H2("Selection")
    html.P("{{ selected_said }}")
    with html.Div(classes="low-row"):
        for text, name in (
            ("undo", "undo"),
            ("redo", "redo"),
            ("hide", "hide_selected"),
            ("only these", "isolate_selected"),
            ("show everything", "show_everything"),
            ("none", "clear"),
        ):
            also = "; tab.on = false" if name == "show_everything" else ""
            html.Button(text, classes="low-button", click=f"trigger('{name}'){also}")
    with html.Div(classes="low-row"):
        with html.Label():
            _box("list_all")
            html.Span(" list all that are shown")
        html.Input(
            raw_attrs=['type="text"', 'v-model="list_find"', 'placeholder="find id, hole, kind"',
                       'aria-label="find id, hole or kind in the list"', 'style="width: 12em"']
        )  # fmt: skip
    with html.Table(classes="low-table", v_if="listed.length"):
        with html.Tr():
            for name in ("id", "kind", "hole, m", "dip/direction"):
                html.Th(name)
        with html.Tr(
            v_for="r in listed", key="r.row",
            raw_attrs=[":class=\"{ pickable: true, chosen: r.on }\"", 'tabindex="0"',
                       f'@click="{PICK_ROW}"', f'@keydown.enter="{PICK_ROW}"'],
        ):  # fmt: skip
            html.Td("{{ r.name }}")
            html.Td("{{ r.kind }}")
            html.Td("{{ r.where }}")
            html.Td("{{ r.plane }}")
    with html.Div(classes="low-row", v_if="listed.length"):
        html.Button("◀", classes="low-button", click="trigger('turn_list', [-1])", title="Earlier rows",
                    raw_attrs=[':disabled="!list_more[0]"'])  # fmt: skip
        html.Span("{{ listed_said }}", classes="quiet")
        html.Button("▶", classes="low-button", click="trigger('turn_list', [1])", title="Later rows",
                    raw_attrs=[':disabled="!list_more[1]"'])  # fmt: skip


def _slab() -> None:
    """Put the slab's sliders on the page; they move the slab of this tab, without the server."""
    html.H2("Slab")
    with html.Div(classes="low-kinds"):
        _tick("only a slab", "tab.on")
    with html.Div(v_if="tab.on"):
        _slider("thickness", "tab.thickness", "m", low="5", high="tab.reach", step="5")
        _slider("place", "tab.place", "m", low="-tab.reach", high="tab.reach", step="1")
        _slider("along azimuth", "tab.azimuth", "°", low="0", high="179", step="1")
        with html.Div(classes="low-row"):
            html.Button("◀ hole", classes="low-button", click="step_slab(-1)", title="Key ,")
            html.Button("hole ▶", classes="low-button", click="step_slab(1)", title="Key .")
            html.Span("{{ tab.said }}", classes="quiet")


def _pictures() -> None:
    html.H2("To take away")
    with html.Div(classes="low-row"):
        html.Button("picture (PNG)", classes="low-button", click="trigger('save_picture', [seen()])")
        html.Button("offline page (HTML)", classes="low-button", click="trigger('save_page', [seen()])")
        html.Button("net (PDF)", classes="low-button", click="trigger('save_net')")
        html.Button(
            "section of the slab (PDF)", classes="low-button", click="trigger('save_section', [seen()])",
            raw_attrs=[':disabled="!tab.on"'], title="Switch a slab on first",
        )  # fmt: skip


def _kept_views() -> None:
    with html.Div(v_if="story.length"):
        html.H2("Kept views, a story")
        with html.Div(v_for="(one, k) in story", key="one.name", classes="low-item"):
            with html.Div(classes="low-row"):
                html.Button("{{ one.name }}", classes="low-button", click="show_view(one.name)", title="Show this view")
                for text, by, what in (("▲", -1, "earlier"), ("▼", 1, "later")):
                    html.Button(text, classes="low-button", click=f"trigger('move_view', [one.name, {by}])",
                                raw_attrs=[f":aria-label=\"'move ' + one.name + ' {what}'\""])  # fmt: skip
                html.Button(
                    "forget", classes="low-button", click="trigger('forget_view', [one.name])",
                    raw_attrs=[":aria-label=\"'forget the view ' + one.name\""],
                )  # fmt: skip
            html.Input(raw_attrs=['type="text"', 'maxlength="300"', ':value="one.said"', 'placeholder="a sentence"',
                                  ":aria-label=\"'sentence of ' + one.name\"", 'style="width: 100%"',
                                  "@change=\"trigger('say_view', [one.name, $event.target.value])\""])  # fmt: skip
        with html.Div(classes="low-row"):
            html.Button("story as one page (HTML)", classes="low-button", click="trigger('save_story_page')")
            html.Button("story as slides (PNG, PDF)", classes="low-button", click="trigger('save_story_slides')")


def _slider(text: str, name: str, unit: str, *, low: str, high: str, step: str, typed: bool = False) -> None:
    """Put a slider on the page, with its number beside it; a number that can be typed may go past the slider's ends."""
    with html.Div(classes="wide"):
        html.Span(text)
        limits = f':min="{low}" :max="{high}" :step="{step}"'
        html.Input(raw_attrs=['type="range"', limits, f'v-model.number="{name}"', f'aria-label="{text}"'])
        if not typed:
            html.Span(f"{{{{ {name} }}}} {unit}")
            return
        with html.Span():
            label = f'aria-label="{text}, number"'
            html.Input(raw_attrs=['type="number"', f'step="{step}"', f'v-model.number="{name}"', label])
            html.Span(f" {unit}")


def _choice(text: str, name: str, columns: str, **when: str) -> None:
    """Put a list on the page that follows a name of state; its items are another."""
    with html.Label(classes="wide", **when):
        html.Span(text)
        with html.Select(raw_attrs=[f'v-model="{name}"']):
            html.Option("{{ one.title }}", v_for=f"one in {columns}", key="one.value", raw_attrs=[':value="one.value"'])


def _tick(text: str, name: str) -> None:
    with html.Label():
        _box(name)
        html.Span(text)


def _box(name: str, *, value: str = "", on: str = "", off: str = "") -> None:
    """Put a tick box that follows a name of state: a truth, one of a list, or one of two words."""
    more = [f':value="{value}"'] if value else []
    words = [f'true-value="{on}"', f'false-value="{off}"'] if on else []
    html.Input(raw_attrs=['type="checkbox"', f'v-model="{name}"', *more, *words])


def _keys() -> None:
    with html.Div(v_if="tab.keys", classes="low-keys", raw_attrs=['role="dialog"', 'aria-label="Keys"']):
        html.H2("Keys")
        html.Button("×", classes="low-button low-close", title="Close", click="tab.keys = false")
        with html.Table():
            for keys, meaning in KEYS:
                with html.Tr():
                    html.Th(keys)
                    html.Td(meaning)
        html.A("Handbook", href="handbook/start.html", target="_blank")
