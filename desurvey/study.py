"""The study as it now stands: one project with its decisions, and everything that follows from them.

This is the only place that puts the steps together. Commands, figures, report, viewer and notebooks ask a
:class:`Study`; so whatever was decided holds in all of them, and no two of them can disagree.

A decision about a suspect is about the tables *as logged*: suspects are always weighed there, once, and those accepted
are put right from what that search says of them. What stands undecided is marked, and distrusted by the line-up.
"""

from __future__ import annotations

import html
import zlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from desurvey import aim as aiming
from desurvey import checks, frequency, gains, lineup, orient, slip, sphere, spread, surface, traces
from desurvey import suspects as weighing
from desurvey.audit import Trail, read_trail
from desurvey.cache import fingerprint, is_kept, recalled
from desurvey.checks.ground import ground_points
from desurvey.decisions import AUDIT, Changed, Decision, Decisions, Explained, decide, read_decisions, record
from desurvey.exchange import facts
from desurvey.exchange.model import Model, model_of
from desurvey.exchange.writing import TableFacts
from desurvey.lineup import Pins, Remembered
from desurvey.problems import ROWS, DataProblem, Finding, Rule, apart, nearest
from desurvey.progress import part, silent
from desurvey.project import Project, load_project, options, project_of_tables
from desurvey.project.loading import TO_ORIENT
from desurvey.project.settings import FILE
from desurvey.reviews import AUDIT_BROKEN, REVIEW_UNDONE, Review, findings_of, review_line, reviews_of
from desurvey.runs import Chain, runs_chain
from desurvey.spread.sigmas import Sigmas
from desurvey.suspects import Weighed
from desurvey.suspects.table import Settings as SuspectSettings

if TYPE_CHECKING:
    from desurvey.lineup import Fault, LineUp
    from desurvey.orient import Oriented
    from desurvey.progress import Progress
    from desurvey.slip import FaultNetwork, MarkerPicks, Slip, SlipLines, SlipSettings
    from desurvey.spread import HoleSpread, StructureSpread
    from desurvey.surface import Edge, Extracted, Mesh, Options
    from desurvey.surface.clip import Outside
    from desurvey.surface.picks import Picks as SurfacePicks
    from desurvey.traces import Traces

__all__ = ["RULES", "RULES_BY_PART", "Answers", "Study"]

SECTIONS: dict[str, type] = {
    "spread": Sigmas,
    "checks": checks.Limits,
    "suspects": SuspectSettings,
    "lineup": lineup.LineupSettings,
    "surface": surface.Options,
    "slip": slip.SlipSettings,
    "aim": aiming.RigLimits,
}
"""Sections of project.toml that belong to one part of the engine each, and what may stand in them."""

Bools = npt.NDArray[np.bool_]

SUSPECT = Rule(
    "suspect",
    "warning",
    "a named blunder explains the readings far better than the rock does",
    "Look at the core, then accept or set aside: lowside decide PROJECT KEY --accept (or --set-aside) --why …",
)
DECISION_LOST = Rule(
    "decision_lost",
    "warning",
    "a decision holds for what was decided about, and that isn't among the suspects any more",
    "Decide anew, or take it back: lowside decide PROJECT KEY --undo",
)

RULES_BY_PART: dict[str, tuple[Rule, ...]] = {
    **checks.RULES_BY_PART,
    "suspects": (SUSPECT, DECISION_LOST),
    "reviews": (REVIEW_UNDONE, AUDIT_BROKEN),
}
"""All rules, by what they look at: the documentation of them, ``lowside check --rules``."""

RULES: tuple[Rule, ...] = tuple(rule for rules in RULES_BY_PART.values() for rule in rules)


@dataclass(frozen=True, slots=True, eq=False)
class Answers:
    """What the line-up of one kind of structure answers.

    Attributes
    ----------
    kind : str
        Of the structures.
    found : LineUp
        Faults and probabilities as arrays.
    faults, picks, windows : pandas.DataFrame
        The tables of the contract (DESIGN.md section 6).
    meshes : mapping of str to Mesh
        Faults by name, as far as their stated extent.
    words : str
        The same in sentences, the summary first.
    distrusted : int
        Picks whose orientation was distrusted, for an undecided suspect accuses it.
    remembered : Remembered
        Names and picks of all faults that there ever were, as they are to be kept.
    changes : tuple of str
        What has become of the faults since names were last kept, in sentences.
    """

    kind: str
    found: LineUp
    faults: pd.DataFrame
    picks: pd.DataFrame
    windows: pd.DataFrame
    meshes: Mapping[str, Mesh]
    words: str
    distrusted: int
    remembered: Remembered
    changes: tuple[str, ...]

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """The three tables by name."""
        return {"faults": self.faults, "picks": self.picks, "windows": self.windows}

    def __repr__(self) -> str:
        """Return the summary."""
        return f"Answers(kind={self.kind!r}, {len(self.faults)} faults, {len(self.picks)} picks)"

    def _repr_html_(self) -> str:
        """Return summary and faults for a notebook."""
        return f"<p>{html.escape(self.words.splitlines()[0])}</p>{self.faults.to_html(index=False)}"


class _Searched(NamedTuple):
    """What the search for faults gives before they have their names."""

    found: LineUp
    windows: pd.DataFrame
    meshes: tuple[Mesh, ...]
    distrusted: int


@dataclass(frozen=True, eq=False, repr=False)
class Study:
    """A project as it now stands, with everything that follows from it, each worked out when first asked for.

    Made by :func:`desurvey.open` from a folder, or by :meth:`of_tables` from data frames. Nothing in it ever changes:
    a decision more or less is another study (:meth:`accepting`, :meth:`as_logged`).

    Attributes
    ----------
    logged : Project
        The tables as they were read, in the engine's conventions.
    decisions : Decisions
        Made about it by people.
    remembered : Remembered
        Names that its faults have had so far (``faults.toml``).
    obeyed : bool
        Whether this study obeys them.
    fresh : bool
        Whether to go around results kept from earlier runs (:mod:`desurvey.cache`).
    left : pandas.DataFrame or None
        Suspects that a person has left in a table, which then stand for those of the search.
    as_of : str
        ISO 8601 time of the state that this is the study of (:mod:`desurvey.campaign`); empty for the tables as they
        now stand. A study of the past can be asked for everything, and writes nothing.
    origin : Path or None
        Folder of the project that a study of the past belongs to.

    Examples
    --------
    >>> import desurvey
    >>> study = desurvey.open("demo_project")
    >>> len(study.holes.hole_ids), int(study.structures.usable.sum())
    (27, 1475)
    """

    logged: Project
    decisions: Decisions = field(default_factory=Decisions)
    remembered: Remembered = field(default_factory=Remembered)
    obeyed: bool = True
    fresh: bool = False
    left: pd.DataFrame | None = None
    as_of: str = ""
    origin: Path | None = None
    _memo: dict[str, Any] = field(default_factory=dict)  # shared by all studies of the same tables
    _answers: dict[str, Answers] = field(default_factory=dict, init=False)

    def __post_init__(self) -> None:
        """Refuse settings with a key or a value that means nothing, whichever part of the engine would ask for it."""
        for section, kind in SECTIONS.items():
            options(section, self.logged.section(section), kind)
        severity = {rule.id: rule.severity for rule in RULES}
        for rule, asked in checks.limits_of(self.logged).severity.items():
            where = f"checks.severity.{rule}"
            if rule not in severity:
                hint = nearest(rule, severity) or "lowside check --rules lists them"
                raise DataProblem("there is no such rule", file=FILE, column=where, value=rule, hint=hint)
            if asked == "off" and severity[rule] == "error":
                hint = (
                    f'severity.{rule} = "note" leaves it out of the exit status; lowside decide --explain answers one'
                )
                raise DataProblem("an error can't be switched off", file=FILE, column=where, value=asked, hint=hint)

    # -- made from ---

    @classmethod
    def open(
        cls,
        folder: Path | str,
        *,
        as_logged: bool = False,
        fresh: bool = False,
        as_of: str = "",
        origin: Path | None = None,
        moved: Mapping[str, str] | None = None,
    ) -> Study:
        """Read a project folder and its decisions: :func:`desurvey.open`, which also knows the states of the past.

        ``as_of``, ``origin`` and ``moved`` say of a state's content when it was kept, of which project, and where its
        files from elsewhere lie.
        """
        folder = Path(folder)
        return cls(
            load_project(folder, moved),
            read_decisions(folder),
            lineup.read_names(folder),
            obeyed=not as_logged,
            fresh=fresh,
            as_of=as_of,
            origin=origin,
        )

    @classmethod
    def of_tables(
        cls,
        *,
        collars: pd.DataFrame,
        surveys: pd.DataFrame | None = None,
        runs: pd.DataFrame | None = None,
        structures: pd.DataFrame | None = None,
        intervals: Mapping[str, pd.DataFrame] | None = None,
        north: Literal["grid", "true", "magnetic"],
        dip_sign: Literal["negative_down", "positive_down"],
        line: Literal["low", "high", "north"] | None = None,
        crs: str = "",
        name: str = "study",
        **sections: Mapping[str, Any],
    ) -> Study:
        """Return a study of data frames, with the same checks as of files.

        Parameters
        ----------
        collars, surveys, runs, structures : pandas.DataFrame
            Tables with the contract's columns, or usual headings of the trade; they aren't changed. Rows count from
            the heading as in a file: the first is row 2.
        intervals : mapping of str to pandas.DataFrame, optional
            Interval tables by name.
        north, dip_sign, line, crs
            As in project.toml, where each is explained; conventions have no default.
        name : str
            What titles say.
        **sections : mapping
            Further sections of project.toml: ``spread``, ``checks``, ``lineup``, ``surface``, ``aim``, ``frame`` …

        Raises
        ------
        DataProblem
            As for a project.toml with these values.
        """
        tables = {"collars": collars, "surveys": surveys, "runs": runs, "structures": structures}
        core = {} if line is None else {"line": line}
        frame = {"north": north, "dip_sign": dip_sign, **({"crs": crs} if crs else {}), **sections.pop("frame", {})}
        return cls(project_of_tables(tables, intervals or {}, {"name": name, "frame": frame, "core": core, **sections}))

    def as_logged(self) -> Study:
        """Return the study with no decision obeyed."""
        return replace(self, obeyed=False)

    def accepting(self, keys: Collection[str]) -> Study:
        """Return the study with the suspects of these keys put right besides, as if they had been accepted."""
        new = tuple(Decision("suspect", key, "accepted") for key in sorted(keys))
        kept = (one for one in (self.decisions if self.obeyed else Decisions()).made if one.key not in keys)
        return replace(self, decisions=replace(self._obeyed, made=(*kept, *new)), obeyed=True)

    def accepting_only(self, keys: Collection[str]) -> Study:
        """Return the study in which just the suspects of these keys are put right; all else that was decided stands."""
        rest = tuple(one for one in self.decisions.made if one.answer != "accepted")
        return replace(self, decisions=replace(self.decisions, made=rest)).accepting(keys)

    def deciding(self, decisions: Decisions) -> Study:
        """Return the study of the same tables with other decisions."""
        return replace(self, decisions=decisions)

    def suspecting(self, table: pd.DataFrame, file: str = "suspects.csv") -> Study:
        """Return the study in which only the suspects of a table count, such as a person has left in a file.

        Raises
        ------
        DataProblem
            When it isn't such a table, or names what the project doesn't have.
        """
        left = weighing.checked(self.logged, table, file)
        return replace(self, left=left, _memo={})

    def showable(self) -> Study:
        """Return what there is to look at: without structures where they can't be oriented as a whole."""
        shown = self.logged.showable()
        return self if shown is self.logged else replace(self, logged=shown, _memo={})

    # -- what it rests on ---

    @property
    def name(self) -> str:
        """Name of the project."""
        return self.logged.name

    @property
    def home(self) -> Path:
        """Folder of the project, where its history lies."""
        return self.origin or self.logged.folder

    @property
    def _obeyed(self) -> Decisions:
        return self.decisions if self.obeyed else Decisions()

    @cached_property
    def put_right(self) -> pd.DataFrame:
        """The suspects that are put right in this study: accepted, and still among those that the search finds."""
        keys = self._obeyed.keys("accepted")
        if not keys:
            return pd.DataFrame(columns=list(weighing.COLUMNS))
        found = self.all_suspects()
        return found[found["key"].isin(list(keys))].reset_index(drop=True)

    @cached_property
    def project(self) -> Project:
        """The tables as they now stand: as logged, with what was accepted put right. Files stay as they are."""
        return weighing.accept(self.logged, self.put_right) if len(self.put_right) else self.logged

    @cached_property
    def holes(self) -> Traces:
        """The holes in space."""
        return traces.build(self.project)

    @cached_property
    def structures(self) -> Oriented:
        """The structures in their true orientation."""
        return orient.oriented(self.project, self.holes)

    @cached_property
    def hole_spread(self) -> HoleSpread:
        """How well the holes are known."""
        return spread.project_spread(self.project, self.holes)

    @cached_property
    def foreseen(self) -> HoleSpread:
        """The holes (``traces``), planned ones as the project's rods will bend them, and how well all are known."""
        return spread.project_spread(self.project, self.holes, learnt=True).foreseen()

    @cached_property
    def spread(self) -> StructureSpread:
        """How well positions and poles of the structures are known."""
        return spread.structure_spread(self.structures, self.hole_spread)

    def sets(self, rows: Bools, *, weighted: bool = False) -> sphere.Sets:
        """Return the sets of orientations among chosen structures, found once.

        Parameters
        ----------
        rows : (n,) bool array
            Structures; those without an orientation are left aside.
        weighted : bool
            Against the bias of the holes (Terzaghi 1965).
        """
        use = rows & self.structures.usable
        normal = self.structures.normal[use]
        weights = sphere.terzaghi_weights(normal, self.structures.tangent[use]) if weighted else None
        key = fingerprint([normal, weights])

        def work() -> sphere.Sets:
            return sphere.find_sets(normal, weights=weights)

        if key not in self._memo:
            self._memo[key] = recalled("sets", key, work, fresh=self.fresh)
        found: sphere.Sets = self._memo[key]
        return found

    def sets_table(
        self, rows: Bools | None = None, *, seeing: Bools | None = None, domains: str = "", weighted: bool = True
    ) -> pd.DataFrame:
        """Return the sets of orientations: how they lie, how often they are met, how far apart their planes stand.

        Parameters
        ----------
        rows : (n,) bool array, optional
            Structures among which sets are looked for as one. Left out: in each kind with ten poles or more.
        seeing : (H,) bool array, optional
            Holes whose core counts; the drilled ones if left out.
        domains : str
            ``TABLE`` or ``TABLE.COLUMN`` of intervals: each set is told for each of its values besides.
        weighted : bool
            Whether sets, means and κ are weighted against the bias of the holes; frequencies always are.

        Returns
        -------
        pandas.DataFrame
            The columns of the ``sets`` command; ``frequency`` a metre along the mean pole, ``spacing`` in metres, each
            with the ends of its 95 % interval; ``cone_95`` the greater half-angle of the mean's cone (:mod:`desurvey.
            frequency`). Blank: not known, and for an upper end: there is none.

        Raises
        ------
        DataProblem
            When the project has no such intervals.
        """
        self.logged.require(*TO_ORIENT)
        seeing = ~self.project.planned(self.holes.hole_ids) if seeing is None else seeing
        cuts = self._domains(domains) if domains else None
        core = frequency.core_of(self.holes, seeing, self.project.runs, cuts)
        sought = [rows] if rows is not None else [self.project.of_kind(kind) for kind in sorted(self.project.kinds)]
        asked = (seeing, core, cuts, weighted)
        found = [row for one in sought if self._is_enough(one, rows) for row in self._told_sets(one, *asked)]
        return pd.DataFrame(found, columns=list(SET_COLUMNS))

    def _is_enough(self, chosen: Bools, rows: Bools | None) -> bool:
        return rows is not None or int((chosen & self.structures.usable).sum()) >= FEWEST_POLES

    def _domains(self, name: str) -> pd.DataFrame:
        """Return the intervals that say where domains are, their value in ``domain``."""
        table, column = self.interval_column(name)
        frame = self.project.intervals[table]
        known = frame[frame[column].notna() & (frame[column].astype(str) != "")]
        return known[["hole_id", "depth_from", "depth_to"]].assign(domain=known[column].astype(str))

    def _told_sets(
        self, rows: Bools, seeing: Bools, core: frequency.Cored, cuts: pd.DataFrame | None, weighted: bool
    ) -> Iterable[tuple[Any, ...]]:
        """Yield a row of the table for each set among some structures and each domain."""
        structures = self.structures
        use = rows & structures.usable
        sets = self.sets(rows, weighted=weighted)
        normal, hole = structures.normal[use], structures.hole[use]
        terzaghi = sphere.terzaghi_weights(normal, structures.tangent[use])
        weights = terzaghi if weighted else np.ones(len(normal))
        kinds = sorted(set(structures.table["kind"].fillna("").astype(str)[rows]))
        everywhere = ("all", np.ones(len(core.hole), dtype=bool), np.ones(len(rows), dtype=bool))
        parts = [everywhere, *(self._parts(cuts, core) if cuts is not None else ())]
        for number in range(len(sets.axis)):
            whole = frequency.law_of(normal[sets.member == number], weights[sets.member == number])
            for domain, of_core, of_rows in parts:
                member = (sets.member == number) & of_rows[use]
                counted = member & seeing[hole]
                logged = int((rows & of_rows).sum())
                share = int((use & of_rows).sum()) / logged if logged else 1.0
                law = whole if domain == "all" else frequency.law_of(normal[member], weights[member])
                rate = frequency.rate_of(whole, core.part(of_core), hole[counted], terzaghi[counted], share or 1.0)
                said = _set_method(weighted, rate.blind, share)
                yield _set_row((", ".join(kinds), number + 1, domain), int(member.sum()), law, rate, said)

    def _parts(self, cuts: pd.DataFrame, core: frequency.Cored) -> list[tuple[str, Bools, Bools]]:
        """Return each domain with the core and the structures in it."""
        table = self.structures.table
        depth = table["depth"].to_numpy(dtype=float)
        of_core = frequency.domains_at(self.holes, cuts, core.hole, core.depth)
        of_rows = frequency.domains_at(self.holes, cuts, self.structures.hole, depth)
        return [(name, of_core == name, of_rows == name) for name in sorted(set(cuts["domain"]))]

    @cached_property
    def chain(self) -> Chain:
        """The orientation lines chained from run to run, by the project's own limit."""
        self.project.require("runs")
        return runs_chain(self.project.runs, checks.limits_of(self.project).line_offset_deg)

    @property
    def kinds(self) -> list[str]:
        """Kinds of structure as logged, in alphabetical order."""
        return sorted(str(kind) for kind in self.logged.structures["kind"].dropna().unique())

    @property
    def basis(self) -> str:
        """What every table, sheet and picture says of itself: as logged or as decided, with how many decisions."""
        count = len(self.decisions)
        if not self.obeyed:
            said = f"As logged: {_count(count, 'decision')} not applied" if count else "As logged"
        else:
            said = f"As decided: {_count(count, 'decision')}" if count else "As logged; nothing is decided"
        return f"As of {self.as_of[:16].replace('T', ' ')}. {said}" if self.as_of else said

    @property
    def marks(self) -> str:
        """How many readings undecided suspects accuse, in words; empty for none."""
        marked = int((self.suspected & self.structures.usable).sum())
        return (
            f"{marked} of {int(self.structures.usable.sum())} readings are suspect, drawn as logged" if marked else ""
        )

    # -- tables ---

    def traces_table(self, step: float | None = None) -> pd.DataFrame:
        """Return the holes as a table: the ``trace`` command's columns, at the stations or every ``step`` metres."""
        return spread.trace_table(self.holes, self.hole_spread, step)

    def oriented_table(self) -> pd.DataFrame:
        """Return the structures with position and true orientation: the ``orient`` command's columns."""
        return spread.orientation_table(self.structures, self.spread)

    def model(self, answers: Answers | None = None) -> Model:
        """Return holes, structures and, with a line-up's answers, faults, as exports write them."""
        made = model_of(
            self.project,
            self.holes,
            self.structures,
            (self.hole_spread, self.spread),
            basis=self.basis,
            about=facts.about(self.project, self.basis, self.decisions.told()),
            meshes=None if answers is None else answers.meshes,
            tables=None if answers is None else answers.tables,
        )
        return replace(made, tables={name: self.stamped(table) for name, table in made.tables.items()})

    def facts(self) -> TableFacts:
        """Return what files of its tables say of themselves where they can."""
        return TableFacts(self.name, self.logged.settings.frame.crs, self.basis)

    def stamped(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return a table of this study; where decisions stand, or of the past, its last column says its basis."""
        return table.assign(basis=self.basis) if len(self.decisions) or self.as_of else table

    # -- what is wrong ---

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """All that loading and the checks find, and reviews that hold no more: a matter of moments."""
        placeable = not self.project.unusable("collars", "surveys")
        checked = checks.check(self.project, self.holes if placeable else None)
        return self.graded(apart((*self.project.findings, *checked, *findings_of(self.trail, self.reviews, AUDIT))))

    def graded(self, findings: Iterable[Finding]) -> tuple[Finding, ...]:
        """Return findings as severe as the project takes them (``[checks] severity.RULE``)."""
        asked = checks.limits_of(self.logged).severity
        told = (replace(one, severity="note") if asked.get(one.rule) == "note" else one for one in findings)
        return tuple(one for one in told if asked.get(one.rule) != "off")

    @cached_property
    def trail(self) -> Trail:
        """The audit trail of the project's folder; empty for tables without one."""
        folder = self.logged.folder
        if not folder.is_dir():
            return Trail()
        try:
            return read_trail(folder)
        except DataProblem as problem:
            return Trail(broken=(str(problem),))

    @cached_property
    def reviews(self) -> dict[str, Review]:
        """Hole → its last review, with what has changed since: it holds while nothing has."""
        return reviews_of(self.trail, self.logged, self.decisions)

    def review(self, hole: str, *, who: str, why: str = "", undo: bool = False) -> None:
        """Say that a person has reviewed a hole, bound to all that it rests on, or take that back.

        Parameters
        ----------
        hole : str
            Its name.
        who, why : str
            The person, who must be named, and what is said of it.
        undo : bool
            Whether the review is taken back.

        Raises
        ------
        DataProblem
            When there is no such hole, nobody is named, or there is no review to take back.
        """
        folder, names = self._folder_now(), set(self.logged.collars["hole_id"])
        if hole not in names:
            raise DataProblem("there is no such hole", column="HOLE", value=hole, hint=nearest(hole, names))
        if not who.strip():
            raise DataProblem("a review needs the name of who made it", column="--by", hint="say --by NAME")
        if undo and hole not in self.reviews:
            raise DataProblem("the hole isn't reviewed", column="HOLE", value=hole)
        line = review_line(self.logged, self.decisions, hole, who, why)
        record(folder, replace(line, what="review_undone", more={}) if undo else line)

    @cached_property
    def explained(self) -> dict[str, str]:
        """Key → reason of the findings that somebody has answered, while they are what was answered and in time."""
        answers = {one.key: one for one in self._obeyed.explained}
        today = self.as_of[:10] or date.today().isoformat()
        found = [one for one in self.findings if one.key in answers]
        return {
            one.key: answers[one.key].reason
            for one in found
            if answers[one.key].seen in {"", self._seen(one)} and today <= (answers[one.key].until or today)
        }

    @cached_property
    def lapsed(self) -> dict[str, str]:
        """Key → in words why an answer no longer holds, of the findings that are back."""
        here = {one.key for one in self.findings}
        today = self.as_of[:10] or date.today().isoformat()
        return {
            one.key: f"{one.owner} had answered '{one.reason}'"
            + (f" until {one.until}" if one.until and one.until < today else "; it has changed since")
            for one in self._obeyed.explained
            if one.key in here and one.key not in self.explained
        }

    def standing(self, findings: Iterable[Finding]) -> list[Finding]:
        """Return the findings that nobody has answered."""
        return [one for one in self.graded(findings) if one.key not in self.explained]

    def _seen(self, finding: Finding) -> str:
        """Return a hash of a finding and of the row that it stands in; a row added above changes nothing."""
        said: list[object] = [ROWS.sub("", finding.message), finding.severity]
        if finding.row is not None and (finding.table in self.logged.files):
            rows = self.logged.rows_of(finding.table)
            frame = getattr(self.logged, finding.table, None)
            frame = self.logged.intervals[finding.table] if frame is None else frame
            place = (finding.file or self.logged.files[finding.table], finding.row)
            if place in rows:
                said += frame.drop(columns=["row"]).iloc[rows.index(place)].astype(str).tolist()
        return f"{zlib.crc32(repr(said).encode()):08x}"

    @property
    def can_be_judged(self) -> bool:
        """Whether suspects can be weighed: collars, surveys, runs and structures can be used as whole tables."""
        return not self.logged.unusable("collars", "surveys", *TO_ORIENT)

    def check(self, *, quick: bool = False, progress: Progress | None = None) -> tuple[Finding, ...]:
        """Return all findings, and undecided suspects as findings of the rule ``suspect`` unless ``quick``."""
        if quick or not self.can_be_judged:
            return self.findings
        more = (*self._lost_decisions(), *self._as_findings(self.suspects(progress=progress)))
        return self.graded(apart((*self.findings, *more)))

    def _as_findings(self, found: pd.DataFrame) -> list[Finding]:
        file = self.logged.files["structures"]
        columns = (found[name].tolist() for name in ("message", "key", "hole_id", "depth_from"))
        return [
            SUSPECT.found(f"{message.rstrip('.')} [{key}]", table="structures", file=file, hole_id=hole, depth=depth)
            for message, key, hole, depth in zip(*columns, strict=True)
        ]

    def _lost_decisions(self) -> list[Finding]:
        known = set(self.all_suspects()["key"])
        return [
            DECISION_LOST.found(f"the decision about '{one.key}' fits no suspect", table="structures")
            for one in self._obeyed.made
            if one.what == "suspect" and one.key not in known
        ]

    def weighed(self, *, progress: Progress | None = None) -> Weighed:
        """Return all suspects of the tables as logged, what could be judged of every run, and what is said of it."""
        if "weighed" not in self._memo:
            self.logged.require(*TO_ORIENT)

            def work() -> Weighed:
                base = Study(self.logged) if self._obeyed.keys("accepted") else self
                return weighing.weighed(self.logged, base.holes, base.structures, progress=progress)

            self._memo["weighed"] = recalled("weighed", self._logged_key, work, fresh=self.fresh)
        known: Weighed = self._memo["weighed"]
        return known

    def all_suspects(self, *, progress: Progress | None = None) -> pd.DataFrame:
        """Return the suspects of the tables as logged, whatever was decided: columns of the ``suspects`` command."""
        return self.weighed(progress=progress).suspects.copy() if self.left is None else self.left.copy()

    def suspects(self, *, progress: Progress | None = None) -> pd.DataFrame:
        """Return the suspects that stand undecided, strongest evidence first."""
        found = self.all_suspects(progress=progress)
        return found[~found["key"].isin([one.key for one in self._obeyed.made])].reset_index(drop=True)

    @cached_property
    def suspected(self) -> Bools:
        """Which rows of the structures an undecided suspect accuses, (n,)."""
        if not self.can_be_judged:
            return np.zeros(len(self.project.structures), dtype=bool)
        return weighing.suspected(self.project, self.suspects())

    @cached_property
    def _logged_key(self) -> str:
        tables = (getattr(self.logged, name) for name in ("collars", "surveys", "runs", "structures"))
        return fingerprint([self.left, self.logged.settings, self.logged.findings, *tables])

    @cached_property
    def key(self) -> str:
        """Hash of all that this study rests on: tables, settings, decisions obeyed, and the program itself."""
        return fingerprint([self._logged_key, sorted((d.what, d.key, d.answer, d.fault) for d in self._obeyed.made)])

    # -- what the picks say together ---

    def lineup(self, kind: str = "fault", *, progress: Progress | None = None) -> Answers:
        """Return which picks of a kind are one fault, how sure that is, and where else each should be.

        Pins are obeyed; orientations that an undecided suspect accuses are distrusted. Faults keep the names that the
        project remembers (``faults.toml``, :meth:`remembering`).

        Raises
        ------
        DataProblem
            When there is no structure of that kind on a hole: says which kinds there are.
        """
        kind = self.logged.kind_named(kind)
        if kind not in self._answers:
            tell = progress or silent
            accused = self.suspects(progress=part(tell, 0.0, SUSPECTS_SHARE))
            key, pins = self._lineup_key(kind)

            def work() -> _Searched:
                return self._searched(kind, accused, pins, part(tell, SUSPECTS_SHARE, 1.0))

            if key not in self._memo:
                self._memo[key] = recalled("lineup", key, work, fresh=self.fresh)
            self._answers[kind] = self._named(kind, self._memo[key])
            tell(1.0)
        return self._answers[kind]

    def _lineup_key(self, kind: str) -> tuple[str, Pins]:
        pins = Pins.of(self._obeyed.pins, self.remembered.members(kind))
        return fingerprint([self.key, pins, kind]), pins

    def knows(self, kind: str = "") -> bool:
        """Return whether the suspects, or with a kind its line-up, are at hand without being worked out."""
        if not kind:
            return "weighed" in self._memo or (not self.fresh and is_kept("weighed", self._logged_key))
        key, _ = self._lineup_key(kind)
        return key in self._memo or (self.knows() and not self.fresh and is_kept("lineup", key))

    def _searched(self, kind: str, accused: pd.DataFrame, pins: Pins, progress: Progress) -> _Searched:
        distrust = weighing.distrusted(self.project, accused) if len(accused) else {}
        found, windows = lineup.line_up_with_windows(
            self.project, self.holes, kind, pins=pins, distrust=distrust, progress=progress
        )
        meshes = tuple(surface.fault_mesh(fault) for fault in found.faults)
        return _Searched(found, windows, meshes, int(np.isin(found.names, list(distrust)).sum()))

    def _named(self, kind: str, searched: _Searched) -> Answers:
        """Return the answers with the names and colours that the faults had before."""
        found, remembered_now, said = lineup.handed_on(searched.found, self.remembered)
        names = {old.fault_id: new.fault_id for old, new in zip(searched.found.faults, found.faults, strict=True)}
        windows = searched.windows.assign(fault_id=searched.windows["fault_id"].map(names))
        faults, picks = lineup.faults_table(found), lineup.picks_table(found)
        return Answers(
            kind=kind,
            found=found,
            faults=faults,
            picks=picks,
            windows=windows,
            meshes=dict(zip(names.values(), searched.meshes, strict=True)),
            words=lineup.summary(found, picks, windows),
            distrusted=searched.distrusted,
            remembered=remembered_now,
            changes=said,
        )

    def remembering(self, answers: Answers, names: Mapping[str, str] | None = None) -> Study:
        """Write down the names of a line-up's faults, and return the study that knows them.

        Parameters
        ----------
        answers : Answers
            Of this study.
        names : mapping of str to str, optional
            What faults shall be called from now on, by the name that they have.

        Notes
        -----
        A folder that can't be written is no error: names are then handed on by size once more. A study that leaves
        decisions aside writes nothing, for its faults may be others.

        Raises
        ------
        DataProblem
            When there is no fault of a name, or two would have the same one.
        """
        now = answers.remembered.renamed(answers.kind, names) if names else answers.remembered
        if self.obeyed and not self.as_of and now != self.remembered:
            lineup.write_names(self.logged.folder, now)
        return self if now == self.remembered else replace(self, remembered=now)

    def lineup_or_none(self, kind: str = "fault", *, progress: Progress | None = None) -> Answers | None:
        """Return :meth:`lineup`, or None when no structure of that kind lies on a hole."""
        return self.lineup(kind, progress=progress) if self.can_line_up(kind) else None

    def can_line_up(self, kind: str = "fault") -> bool:
        """Return whether a structure of that kind lies on a hole."""
        placed = self.holes.index(self.logged.structures["hole_id"].to_numpy(dtype=np.str_)) >= 0
        return bool((self.logged.of_kind(kind) & placed).any())

    def without_picks(self, kind: str) -> str:
        """Return a sentence on a kind of which no pick lies on a hole, and which kinds there are."""
        problem = self.logged.without_kind(kind)
        return f"{problem.rule[0].upper()}{problem.rule[1:]}; {problem.hint}."

    def decide(
        self,
        key: str = "",
        *,
        accept: bool = False,
        set_aside: bool = False,
        undo: bool = False,
        pin: tuple[str, str] | None = None,
        why: str = "",
        who: str = "",
    ) -> Changed:
        """Decide on a suspect, pin a pick, or take a decision back; :meth:`deciding` gives the study that obeys it.

        Parameters
        ----------
        key : str
            The suspect's key; with ``undo`` also the name of a pick.
        accept, set_aside, undo : bool
            Which, one of them.
        pin : (str, str), optional
            A pick, and the fault that it belongs to (its name, or that of another pick of it), or ``none``.
        why, who : str
            The reason, and the person.

        Raises
        ------
        DataProblem
            When nothing or more than one thing is asked, or what is decided about isn't there.
        """
        if accept + set_aside + undo + (pin is not None) != 1 or (pin is None) != bool(key):
            raise DataProblem("a decision is one of --accept, --set-aside and --undo with a key, or --pin PICK FAULT")
        folder = self._folder_now()
        if undo:
            about: list[Any] = [(one.what, one.key) for one in self.decisions.made if one.key == key]
            about += [("finding", one.key) for one in self.decisions.explained if one.key == key]
            if not about:
                known_keys = [one.key for one in self.decisions.made] + [one.key for one in self.decisions.explained]
                hint = nearest(key, known_keys)
                raise DataProblem("there is no decision about that", column="KEY", value=key, hint=hint)
            return decide(folder, undone=about, known=self.decisions)
        if pin is not None:
            return decide(folder, [self._pin(*pin, who=who, why=why)], known=self.decisions)
        known = self.all_suspects()["key"].tolist()
        if key not in known:
            hint = nearest(key, known) or "list the keys with lowside suspects PROJECT --out suspects.csv"
            raise DataProblem("there is no suspect of that key", column="KEY", value=key, hint=hint)
        made = Decision("suspect", key, "accepted" if accept else "set_aside", who=who, why=why)
        return decide(folder, [made], known=self.decisions)

    def explain(self, key: str, reason: str, *, owner: str = "", until: str = "") -> Changed:
        """Answer a finding: it is counted apart until its row changes or a day has passed.

        Parameters
        ----------
        key : str
            The finding's key.
        reason, owner : str
            Why it stands, and who answers for that; you by default.
        until : str
            Last day on which that holds, ISO 8601; empty for no end.

        Raises
        ------
        DataProblem
            When there is no such finding, no reason, or the day has passed.
        """
        folder = self._folder_now()
        known = {one.key: one for one in self.findings}
        if key not in known:
            hint = nearest(key, known) or "list the keys with lowside check PROJECT --out findings.csv"
            raise DataProblem("there is no finding of that key", column="KEY", value=key, hint=hint)
        if until and until < date.today().isoformat():
            raise DataProblem("that day has passed", column="--until", value=until)
        made = Explained(key, reason, owner, until, self._seen(known[key]))
        return decide(folder, explained=[made], known=self.decisions)

    def _folder_now(self) -> Path:
        """Return the folder to write decisions into; the past has none."""
        if self.as_of:
            raise DataProblem("nothing can be decided in the past", value=self.as_of, hint="leave out --at")
        return self.logged.folder

    def _pin(self, pick: str, fault: str, *, who: str, why: str) -> Decision:
        names = self.logged.structures["structure_id"]
        if pick not in set(names):
            raise DataProblem("there is no such pick", column="--pin", value=pick, hint=nearest(pick, names))
        if fault != "none":
            answers = self.lineup(str(self.logged.structures.loc[names == pick, "kind"].iloc[0]))
            self.remembering(answers)  # a name that isn't written down could mean another fault tomorrow
            faults = answers.faults["fault_id"].tolist()
            if fault not in faults and fault not in set(names):
                hint = nearest(fault, faults) or f"there are {', '.join(faults) or 'no faults'}; or say none"
                raise DataProblem("a pick is pinned to a fault of the line-up", column="--pin", value=fault, hint=hint)
        return Decision("pick", pick, "pinned", "" if fault == "none" else fault, who=who, why=why)

    def learn(self, what: str, result: Any) -> None:
        """Take over what another process has worked out of this very study: ``weighed``, or the answers of a kind."""
        if what == "weighed":
            self._memo["weighed"] = result
        else:
            self._answers[what] = result

    # -- surfaces, and the next hole ---

    def surface(
        self,
        fault: str,
        *,
        kind: str = "fault",
        edge: Edge | None = None,
        older: str = "",
        ground: bool = False,
        sides: bool = False,
    ) -> Extracted:
        """Return a fault of the line-up as a mesh with its 1-σ in metres at each vertex.

        Parameters
        ----------
        fault : str
            Its name.
        kind : str
            Of its picks.
        edge : Edge, optional
            Where it ends; left out, at the reach that the line-up states for it.
        older : str
            Name of an older fault at which it ends.
        ground : bool
            Whether it ends at the ground.
        sides : bool
            Whether drilled rock without it keeps to its side: only where logging is complete.

        Raises
        ------
        DataProblem
            When there is no such fault, or nothing of it is left inside the limits.
        """
        limits = self._ground() if ground else ()
        found = self.lineup(kind).found
        return surface.fault_surface(found, fault, edge=edge, older=older, limits=limits, with_sides=sides)

    def contacts(
        self,
        contact: str,
        between: Sequence[tuple[str, str]],
        *,
        bedding: str = "",
        edge: Edge | None = None,
        ground: bool = False,
    ) -> dict[str, Extracted]:
        """Return contacts of an interval table as meshes, by name.

        Parameters
        ----------
        contact : str
            ``TABLE.COLUMN``.
        between : sequence of (str, str)
            The values on the two sides of each, conformable ones together.
        bedding : str
            Kind of the structures that lie along the contacts; none if empty.
        edge, ground
            As for :meth:`surface`.
        """
        table, column = self.interval_column(contact)
        intervals = self.project.intervals[table]
        placed = intervals[intervals["hole_id"].isin(self.holes.hole_ids)]
        beds = self._beds(bedding) if bedding else None
        changes = surface.changes(placed, column)
        picks = surface.contact_picks(changes, list(between), self.holes, self.hole_spread, beds)
        whole = surface.fit(picks, self._surface_options)
        limits = self._ground() if ground else ()
        return {
            f"{one} | {other}": surface.extracted(whole, place, edge=edge, limits=limits)
            for place, (one, other) in enumerate(between)
        }

    def slip(self, kind: str = "fault", *, progress: Progress | None = None) -> tuple[Slip, ...]:
        """Return what each fault of the line-up did, from markers on both of its sides and its slip lines.

        Markers are those of ``[slip] markers``; ``[faults] F2 = { ends_at = "F1" }`` says which fault ends at which.
        :func:`desurvey.slip.slip_table` and :func:`desurvey.slip.in_words` say the answers.

        Raises
        ------
        DataProblem
            When a marker or a fault that is named isn't there.
        """
        return self._slipped(kind, progress)[1]

    def _slipped(self, kind: str, progress: Progress | None) -> tuple[FaultNetwork, tuple[Slip, ...]]:
        settings = options("slip", self.logged.section("slip"), slip.SlipSettings)
        markers = [self.marker(name) for name in settings.markers]
        found = self.lineup(kind, progress=part(progress or silent, 0.0, LINEUP_SHARE)).found
        network = slip.FaultNetwork.of(found, {one: end.ends_at for one, end in self.logged.settings.faults.items()})
        lines = [self._slip_lines(found, fault, settings) for fault in found.faults]
        tell = part(progress or silent, LINEUP_SHARE, 1.0)
        return network, slip.slips_of(network, markers, lines, settings, progress=tell)

    def lost(
        self, marker: str, *, kind: str = "fault", progress: Progress | None = None
    ) -> tuple[pd.DataFrame, tuple[Slip, ...]]:
        """Return where each hole should meet a displaced marker, and the slips that this rests on.

        Parameters
        ----------
        marker : str
            As for :meth:`marker`.
        kind : str
            Of the faults' picks.

        Raises
        ------
        DataProblem
            As for :meth:`slip`.
        """
        found = self.marker(marker)
        network, slips = self._slipped(kind, progress)
        drilled, reach = ~self.project.planned(self.holes.hole_ids), self.lineup(kind).found.settings.reach
        return slip.lost_pieces(network, slips, found, self.holes, drilled, reach=reach), slips

    def marker(self, name: str) -> MarkerPicks:
        """Return what ``[slip] markers`` calls by a name.

        Parameters
        ----------
        name : str
            A kind of structure, ``TABLE.COLUMN:A,B`` (a contact) or ``TABLE.COLUMN=VALUE`` (a thin body).

        Raises
        ------
        DataProblem
            When it isn't there.
        """
        column, sign, value = next((parts for s in ":=" if (parts := name.partition(s))[1]), (name, "", ""))
        if not sign:
            rows = np.flatnonzero(self.project.of_kind(name) & (self.structures.hole >= 0))
            if not len(rows):
                raise self.project.without_kind(name)
            return slip.MarkerPicks(name, lineup.picks_of(self.structures, self.spread, rows, self.hole_spread, {}))
        table, column = self.interval_column(column.strip())
        intervals = self.project.intervals[table]
        if sign == "=":
            return slip.body_picks(name, intervals, column, value.strip(), self.holes, self.hole_spread)
        one, comma, other = (word.strip() for word in value.partition(","))
        if not (one and comma and other):
            hint = f'write "{table}.{column}:A,B" with the values on its two sides'
            raise DataProblem("a marker names a contact without its two sides", column="markers", value=name, hint=hint)
        changes = surface.changes(intervals, column)
        return slip.edge_picks(name, changes, (one, other), self.holes, self.hole_spread)

    def _slip_lines(self, found: LineUp, fault: Fault, settings: SlipSettings) -> SlipLines:
        """Return the slip lines on the picks of a fault, by their gammas and, where there is one, ``sense``."""
        rows = np.flatnonzero(self.project.of_kind(found.kind) & (self.structures.hole >= 0))[fault.rows]
        rows = rows[np.isfinite(self.structures.line[rows, 0]) & found.trusted[fault.rows]]
        return slip.lines_of(self.structures, self.spread, rows, fault.normal, settings)

    def _beds(self, kind: str) -> SurfacePicks:
        which = self.project.of_kind(kind)
        if not which.any():
            raise self.project.without_kind(kind)
        return surface.bedding_picks(self.structures, self.spread, which)

    def interval_column(self, name: str) -> tuple[str, str]:
        """Return table and column that ``TABLE.COLUMN`` or ``TABLE`` (its first column of words, else the first) means.

        Raises
        ------
        DataProblem
            When the project has no such table or column.
        """
        table, _, column = name.partition(".")
        known = self.project.intervals
        if table not in known:
            hint = nearest(table, known) or (f"there are {', '.join(known)}" if known else "name one in project.toml")
            raise DataProblem("there is no such table of intervals", value=table, hint=hint)
        own = [str(c) for c in known[table].columns if c not in {"hole_id", "depth_from", "depth_to", "row"}]
        words = [c for c in own if pd.to_numeric(known[table][c], errors="coerce").isna().all()]
        column = column or next(iter(words or own), "")
        if column not in own:
            hint = nearest(column, own) or f"there are {', '.join(own) or 'none'}"
            raise DataProblem("the table of intervals has no such column", file=table, value=column, hint=hint)
        return table, column

    @property
    def _surface_options(self) -> Options:
        return options("surface", self.logged.section("surface"), surface.Options)

    def _ground(self) -> tuple[Outside, ...]:
        """Return the limit at the ground: the table that ``[checks]`` names, else the collars."""
        collars = self.holes.position[self.holes.offsets[:-1]]
        return (surface.over_ground(collars if self.topography is None else self.topography),)

    @cached_property
    def topography(self) -> npt.NDArray[np.float64] | None:
        """Points of the ground, (n, 3), from the table that ``[checks]`` names; None without one."""
        file = checks.limits_of(self.logged).topography
        return ground_points(self.logged.folder, file) if file else None

    def aim(
        self,
        fault: str | None = None,
        *,
        collar: Sequence[float] | str = (),
        point: Sequence[float] | None = None,
        elevation: float | None = None,
        kind: str = "fault",
    ) -> pd.DataFrame:
        """Return where planned holes meet each fault, or the hole that meets one.

        Parameters
        ----------
        fault : str, optional
            The fault to meet. Without it: every planned hole of the project against every fault, a row a meeting.
        collar : (3,) array or str
            Where the hole starts: easting, northing, elevation, or the name of a hole whose collar is meant.
        point : (3,) array, optional
            Meet the fault where it passes this point.
        elevation : float, optional
            Meet it at this elevation, as squarely as the rig's limits (``[aim]``) allow.

        Raises
        ------
        DataProblem
            When nothing or both of ``point`` and ``elevation`` are said, or no hole within the limits meets it.
        """
        found = self.lineup(kind).found
        limits = options("aim", self.logged.section("aim"), aiming.RigLimits)
        if fault is None:
            return aiming.warned(found, aiming.planned_meetings(found), limits)
        start = self._place(collar)
        if point is not None and elevation is None:
            shot = aiming.aim_at_point(found, fault, start, np.asarray(point, dtype=float), limits)
        elif elevation is not None and point is None:
            shot = aiming.aim_at_elevation(found, fault, start, elevation, limits)
        else:
            raise DataProblem("aiming at a fault needs either a point or an elevation to meet it at")
        return aiming.shots_table([shot])

    def rank_pads(self, pads: pd.DataFrame, *, kind: str = "fault", file: str = "pads.csv") -> pd.DataFrame:
        """Return the best hole of each of some pads, the best pad first (:func:`desurvey.gains.rank_pads`)."""
        limits = options("aim", self.logged.section("aim"), aiming.RigLimits)
        return gains.rank_pads(self.lineup(kind).found, pads, limits, file)

    def _place(self, collar: Sequence[float] | str) -> npt.NDArray[np.float64]:
        if isinstance(collar, str):
            (hole,) = self.holes.index([collar])
            if hole < 0:
                hint = nearest(collar, self.holes.hole_ids.tolist())
                raise DataProblem("there is no such hole to start from", value=collar, hint=hint)
            start = np.asarray(self.holes.position[self.holes.offsets[hole]])
        else:
            start = np.asarray(collar, dtype=float)
        if start.shape != (3,) or not np.isfinite(start).all():
            raise DataProblem("a collar must be easting, northing and elevation, or the name of a hole", value=collar)
        return start

    def blind(self) -> pd.DataFrame:
        """Return what share of plane orientations the drilled holes are blind to, and each planned hole with them."""
        return aiming.blind_table(self.holes, ~self.logged.planned(self.holes.hole_ids))

    # -- shown ---

    def __repr__(self) -> str:
        """Return what it is, in a few lines."""
        tables = {name: len(getattr(self.logged, name)) for name in ("collars", "surveys", "runs", "structures")}
        counts = ", ".join(f"{count} {name}" for name, count in tables.items())
        intervals = ", ".join(self.logged.intervals) or "none"
        return f"Study {self.name!r}: {counts}; intervals: {intervals}\n{self.basis}. {self._errors()}"

    def _errors(self) -> str:
        errors = sum(finding.severity == "error" for finding in self.logged.findings)
        return f"{_count(errors, 'error')} in the tables." if errors else "No error in the tables."

    def _repr_html_(self) -> str:
        """Return the same for a notebook."""
        return f"<pre>{html.escape(repr(self))}</pre>"

    def __getstate__(self) -> dict[str, Any]:
        """Return what another process needs: what it rests on, and suspects where they are known."""
        return {item.name: getattr(self, item.name) for item in fields(self)} | {"_answers": {}}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take over what the other process sent."""
        self.__dict__.update(state)


LINEUP_SHARE = 0.8
"""Share of the line-up in the work on slips (demo project)."""

SET_COLUMNS = (
    "kind", "set", "domain", "dip", "dip_direction", "n", "kappa", "cone_95", "frequency", "spacing", "kappa_low",
    "kappa_high", "frequency_low", "frequency_high", "spacing_low", "spacing_high", "method",
)  # fmt: skip

FEWEST_POLES = 10
"""Poles of a kind below which no sets are looked for."""

SUSPECTS_SHARE = 0.7
"""Share of the suspects in the work of a line-up that has to weigh them first (demo project)."""


def _set_row(
    which: tuple[str, int, str], n: int, law: frequency.Law, rate: frequency.Rate, method: str
) -> tuple[Any, ...]:
    dip, direction = (float(angle[0]) for angle in orient.dip_of_plane(law.mean.axis[None]))
    with np.errstate(divide="ignore"):
        spacing, closest, widest = 1.0 / np.array([rate.frequency, rate.high, rate.low])
    ends = (law.kappa_low, law.kappa_high, rate.low, rate.high, closest, widest)
    told = (law.kappa, float(law.mean.cone_deg[0]), rate.frequency, spacing, *ends)
    known = [float(value) if np.isfinite(value) else np.nan for value in told]
    return (*which, dip, direction, n, *known, method)


def _set_method(weighted: bool, blind: float, oriented: float) -> str:
    cap = sphere.TERZAGHI_CAP_DEG
    what = "mean and frequency" if weighted else "frequency"
    return (
        f"{what} weighted by 1/sin alpha to {1 / np.sin(np.deg2rad(cap)):.2f} (Terzaghi 1965); "
        f"{blind:.0%} of the core meets the set below {cap:g} degrees; {oriented:.0%} of the kind is oriented"
    )


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
