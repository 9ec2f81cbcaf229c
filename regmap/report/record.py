"""A stage and, if given, a capture to the whole record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from regmap.record import dataclass

from .. import __version__
from ..assessment.stage import COMMAND_LINE, Assessment, assess, inputs_of
from ..calc import WORDS
from ..cautions import CAUTION
from ..draft import Draft
from ..errors import told
from ..quantity import many
from ..stages.load import Stage
from . import chip as about
from . import verdicts
from .matrix import VariantsTold
from .modes import ModesTold
from .page import Html, code, items, join, page, section, table, tag
from .trace import TraceRow, trace_rows, trace_table


@dataclass(frozen=True, slots=True)
class ReviewRecord:
    """The page, and what a reviewer must not miss: `findings` are sentences, most serious first."""

    html: str
    findings: tuple[str, ...]
    counts: dict[str, int]
    trace: tuple[TraceRow, ...] = ()

    @property
    def clean(self) -> bool:
        """Whether nothing speaks against the stage."""
        return not self.findings


def review(
    stage: Stage,
    capture: str | Path | None = None,
    *,
    campaign: str | Path | None = None,
    variants: Sequence[Stage] = (),
    date: str = "",
    unfold: bool = False,
) -> ReviewRecord:
    """The record of a stage, with a capture, and the results of a campaign, held against it where given.

    `variants` are other boards, held beside it; what fails on one of them is a finding.
    `date` is printed as it is; `unfold` opens every derivation, for paper. Raises CaptureError for
    a capture that cannot be read.
    """
    return _Maker(stage, capture, date, unfold, campaign, variants).make()


class _Maker:
    def __init__(
        self,
        stage: Stage,
        capture: str | Path | None,
        date: str,
        unfold: bool,
        campaign: str | Path | None,
        variants: Sequence[Stage],
    ) -> None:
        self.stage, self.capture, self.date, self.unfold = stage, capture, date, unfold
        self.campaign = campaign
        self.variants = variants
        self.modes = ModesTold(stage, unfold=unfold) if stage.modes else None
        self.result: Assessment = self.modes.matrix.results[0] if self.modes else assess(stage)
        # settings laid over the file: the digest does not know of them, so they are said with it
        self.changed = ", ".join(
            f"{s.name} = {s.asked}" for s in stage.settings if s.origin == COMMAND_LINE
        )
        self.read_back: Mapping[str, tuple[int | None, str]] = {}
        self.findings: list[str] = []
        self.contents: list[tuple[str, str]] = []
        self.body: list[Html] = []

    def add(self, ident: str, title: str, *content: object) -> None:
        self.contents.append((ident, title))
        self.body.append(section(ident, len(self.contents), title, *content))

    def make(self) -> ReviewRecord:
        stage, result = self.stage, self.result
        self.findings += [
            f"{v.check} fails: {v.sentence()}" for v in result.verdicts if v.status == "fails"
        ]
        known, wrong = about.known_frames(stage.chip)
        if wrong:
            self.findings.append(
                f"{wrong} of {len(stage.chip.known_frames)} known frames are not reproduced by the map"
            )
        bus = self._bus()
        injected = self._injected()
        others: list[tuple[object, object]] = [("tool", f"gateword {__version__}")]
        if self.date:
            others.append(("date", self.date))
        if stage.mode:
            others.append(("mode", stage.mode))
        modes = self.modes
        if modes is not None:
            others.append(("modes", ", ".join(stage.modes)))
            self.findings += modes.findings
        boards = VariantsTold(stage, self.variants) if self.variants else None
        if boards is not None:
            others.append(("variants", ", ".join(v.name for v in self.variants)))
            self.findings += boards.findings
        if self.changed:
            others.append(("changed beside the file", self.changed))
        self.add("subject", "What was reviewed", about.identity(stage, others))
        self.add("result", "Verdicts", verdicts.tally(result), verdicts.overview(result))
        self.add(
            "settings",
            "Settings",
            about.settings(stage, self.read_back),
            about.left_at_reset(stage),
        )
        self.add(
            "registers",
            "Register words",
            tag("p", "Fields that differ from their reset value are marked below.", cls="note"),
            about.registers(stage),
        )
        self.add(
            "frames",
            "Frames in write order",
            tag(
                "p",
                "From power-up to the last step of the map's sequences; every frame with its check bits as sent.",
                cls="note",
            ),
            about.frames(stage),
        )
        self.add(
            "derivations",
            "Derivations",
            tag(
                "p",
                "Every verdict with its formula, its inputs and where each came from, and both extremes. "
                "A line opens on a click.",
                cls="note",
            ),
            verdicts.derivations(result, Draft(self.stage).depends, unfold=self.unfold),
        )
        self.add("plots", "Plots", verdicts.drawings(inputs_of(stage)))
        self.add("faults", "Faults and reaction times", self._faults())
        if modes is not None:
            self.add("modes", "Modes", modes.html())
        if boards is not None:
            self.add("variants", "Variants", boards.html())
        self.add("waivers", "Waivers", self._waivers())
        if stage.requirements:
            self.add("requirements", "Requirements", trace_table(stage, result, self._seen()))
        self.add("known", "Known frames", known)
        self.add("capture", "Capture", bus)
        self.add("injection", "Fault injection", injected)
        self.add("cautions", "Cautions", self._cautions())
        self.add("sign-off", "Sign-off", self._sign_off())
        html = page(
            f"Review record: {stage.name} on {stage.chip.name}",
            self.contents,
            self._head(),
            *self.body,
        )
        trace = tuple(trace_rows(stage, result, self._seen()))
        return ReviewRecord(html, tuple(self.findings), result.counts, trace)

    def _head(self) -> Html:
        stage, counts = self.stage, self.result.counts
        lead = stage.summary or stage.title
        words = [
            f"{counts['holds']} verdicts hold",
            f"{counts['low_margin']} low margin",
            f"{counts['fails']} fail",
            f"{counts['not_computed']} not computed",
        ]
        state = (
            "Nothing found speaks against these settings."
            if not self.findings
            else (f"{many(len(self.findings), 'finding')}, listed under Sign-off.")
        )
        return join(
            [
                tag(
                    "p",
                    "REVIEW RECORD OF A POWER STAGE" + (f", {self.date}" if self.date else ""),
                    cls="eyebrow",
                ),
                tag("h1", stage.title or stage.name),
                tag("p", lead, cls="lead") if lead != stage.title else Html(""),
                tag("p", f"{', '.join(words)}. {state}"),
                tag("p", CAUTION, cls="caution"),
            ]
        )

    def _bus(self) -> Html:
        if self.capture is None:
            return tag(
                "p",
                "No capture was given: what the SPI of the drive really carries has not been looked at.",
            )
        try:
            from .bus import bus_findings
        except ImportError as error:
            return tag(
                "p",
                f"The capture was not looked at: this installation cannot read captures ({error.name or error} is missing).",
            )
        found = bus_findings(self.stage, self.capture)
        self.read_back = found.read_back
        if found.bad:
            self.findings += [f"capture: {s}" for s in found.sentences[:3]]
        return found.html

    def _injected(self) -> Html:
        if self.campaign is None:
            return tag(
                "p",
                "No results of a campaign were given: no fault has been injected into this stage.",
            )
        # imported for those who give results: it loads the link
        from .injection import injection_findings

        found = injection_findings(self.stage, Path(self.campaign))
        self.findings += [f"fault injection: {s}" for s in found.sentences[:6]]
        return found.html

    def _seen(self) -> list[tuple[str, str]]:
        return [(name, verdict) for name, (_, verdict) in self.read_back.items()]

    def _faults(self) -> Html:
        masked = [n for n, f in self.stage.chip.faults.items() if f.masked_when is not None]
        silent = [n for n, f in self.stage.chip.faults.items() if f.reported_only_when is not None]
        return join(
            [
                tag(
                    "p",
                    "Times are the longest from the event to safe outputs, held against the fault tolerant time interval "
                    "of the stage. The map says who reacts; whether that is enough is decided in the safety concept.",
                    cls="note",
                ),
                about.faults(self.stage, self.result),
                tag(
                    "p",
                    f"{len(masked)} of {len(self.stage.chip.faults)} faults can be hidden by settings.",
                    cls="note",
                )
                if masked
                else Html(""),
                tag(
                    "p",
                    f"Settings can make the chip only report {len(silent)} of them: then nothing happens until the controller acts.",
                    cls="note",
                )
                if silent
                else Html(""),
            ]
        )

    def _waivers(self) -> Html:
        if not self.result.waived:
            return tag("p", "The stage waives no check.")
        return table(
            ["check", "verdict without the waiver", "reason given in the stage"],
            [[code(v.check), WORDS[v.status], reason] for v, reason in self.result.waived],
            caption="Waived checks",
        )

    def _cautions(self) -> Html:
        texts = dict.fromkeys(
            t for v in self.result.verdicts for t in [v.caution.removeprefix(CAUTION).strip()] if t
        )
        return join(
            [
                tag("p", CAUTION, cls="caution"),
                items(texts),
            ]
        )

    def _sign_off(self) -> Html:
        points: list[object] = list(self.findings)
        by_status: dict[str, list[str]] = {}
        for verdict in self.result.verdicts:
            by_status.setdefault(verdict.status, []).append(verdict.check)
        for status, text in (
            ("low_margin", "Less margin than asked for"),
            ("not_computed", "Not computed, for lack of an input"),
        ):
            if by_status.get(status):
                points.append(f"{text}: {', '.join(by_status[status])}")
        if self.result.waived:
            points.append(f"Waived: {', '.join(v.check for v, _ in self.result.waived)}")
        points += [
            f"Doubtful input: {told(p.found, p.expected)} ({p.place})" for p in self.stage.doubts
        ]
        rounded = [s.name for s in self.stage.settings if s.choice.error]
        if rounded:
            points.append(
                f"The chip does not have exactly what was asked for: {', '.join(rounded)}"
            )
        points += [
            "Figures of the map compared with the data sheet in force",
            "Figures of the stage compared with schematic and parts list",
            "Switching edges, dead time and trip currents measured on the stage",
        ]
        ticked = [join([tag("span", cls="box"), p]) for p in points]
        rows = [
            [role, "", "", "", "class=blank"]
            for role in ("Prepared by", "Reviewed by", "Approved by")
        ]
        beside = f" with {self.changed}" if self.changed else ""
        digest = tag(
            "p",
            "This record stands for the stage with digest ",
            code(self.stage.digest),
            beside,
            " and no other.",
            cls="note",
        )
        return join(
            [
                tag(
                    "ul", join(tag("li", t) for t in ticked), style="list-style:none;padding-left:0"
                ),
                table(["role", "name", "date", "signature"], rows, caption="Sign-off"),
                digest,
            ]
        )
