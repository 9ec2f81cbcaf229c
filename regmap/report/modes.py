"""Modes in a record: every verdict in every mode, the ways between them frame by frame, what follows on faults."""

from __future__ import annotations

from ..assessment.fallback import between_modes
from ..assessment.matrix import Matrix, matrix
from ..assessment.transition import Transition, Trouble
from ..calc import WORDS
from ..chip.bits import hexword
from ..quantity import many
from ..stages.identity import identity
from ..stages.load import Stage
from .page import Html, code, fold, join, table, tag
from .verdicts import percent, sign


def _place(trouble: Trouble) -> str:
    """Where on the way it is; nothing where it is the whole of it."""
    return f", after {many(trouble.state, 'write')}" if trouble.of else ""


class ModesTold:
    """What a record tells of a stage's modes; `findings` are sentences for its head."""

    def __init__(self, stage: Stage, *, unfold: bool = False) -> None:
        self.stage, self.unfold = stage, unfold
        self.matrix: Matrix = matrix([stage])
        between = between_modes(stage, self.matrix.of(stage))
        self.ways, self.rows = between.ways, between.rows
        self.findings = [
            f"mode {name}: {verdict.check} fails: {verdict.sentence()}"
            for name, mode, result in zip(
                self.matrix.names, self.matrix.stages, self.matrix.results, strict=True
            )
            if mode.mode
            for verdict in result.verdicts
            if verdict.status == "fails"
        ]
        self.findings += [
            f"{w.source} to {w.target}{_place(t)}: {t.text}" for w in self.ways for t in w.findings
        ]
        self.findings += [f"{r.fault} in {r.mode}: {gap}" for r in self.rows for gap in r.gaps]

    def html(self) -> Html:
        """The whole section."""
        return join(
            [
                self._modes(),
                self._verdicts(),
                tag(
                    "p",
                    "Between two frames the chip holds a mixture of two modes. Each is judged by the checks whose failing destroys "
                    "the bridge or leaves a protection without effect, with the operating values that the controller has then.",
                    cls="note",
                ),
                self._ways(),
                *(self._frames(way) for way in self.ways),
                self._faults(),
            ]
        )

    def _modes(self) -> Html:
        rows = [
            [
                name,
                s.mode_title or s.title,
                ", ".join(s.entry.after),
                "yes" if s.entry.driving else "no",
                str(identity(s)),
                *(str(r.counts[w]) for w in WORDS),
            ]
            for name, s, r in zip(
                self.matrix.names, self.matrix.stages, self.matrix.results, strict=True
            )
        ]
        head = ["mode", "what for", "after", "drives", "identity", *WORDS.values()]
        return table(
            head, rows, caption="The modes, and how many of their verdicts are what", cls="dense"
        )

    def _verdicts(self) -> Html:
        """Checks that do not hold in some mode; the rest hold in all."""
        rows = []
        for row in self.matrix.rows:
            if row.status != "holds":
                cells = [
                    Html("") if v is None else join([sign(v.status), " ", percent(v.relative)])
                    for v in row.verdicts
                ]
                rows.append([row.title, code(row.check), self.matrix.names[row.worst], *cells])
        held = sum(r.status == "holds" for r in self.matrix.rows)
        head = ["what must hold", "check", "worst in", *self.matrix.names]
        told = tag("p", f"{many(held, 'check')} hold in every mode.", cls="note")
        if not rows:
            return told
        return join(
            [table(head, rows, caption="Checks that do not hold in every mode", cls="dense"), told]
        )

    def _ways(self) -> Html:
        rows = []
        for way in self.ways:
            verdict = way.in_time
            when = ""
            if way.operate is not None:
                when = (
                    "before the first write"
                    if not way.operate
                    else f"after {many(way.operate, 'write')}"
                )
            rows.append(
                [
                    way.source,
                    way.target,
                    "off" if way.stopped else "driving",
                    "a bring-up" if way.by_bring_up else ", ".join(way.order) or "nothing to write",
                    when,
                    way.time.text("max") if way.time is not None else "",
                    verdict.worst_limit if verdict is not None else "",
                    "; ".join(dict.fromkeys(t.text for t in way.findings)) or "none",
                ]
            )
        head = [
            "from",
            "to",
            "outputs",
            "registers in order",
            "the controller's values change",
            "time at most",
            "allowed",
            "findings",
        ]
        return table(head, rows, caption="Transitions", cls="dense")

    def _frames(self, way: Transition) -> Html:
        rows = [
            [
                code(hexword(a.sent.word, a.sent.frame.command.length))
                if a.sent is not None
                else "",
                a.sequence,
                a.text,
                a.why,
            ]
            for a in way.actions
        ]
        caption = f"Frames from {way.source} to {way.target}"
        shown = table(["frame", "step", "what", "why"], rows, caption=caption, cls="dense")
        return fold(caption, shown, unfold=self.unfold) if rows else Html("")

    def _faults(self) -> Html:
        rows = [
            [
                r.mode,
                code(r.fault),
                r.seen,
                r.alone,
                r.controller,
                r.in_time.worst_value if r.in_time is not None else "",
                r.in_time.worst_limit if r.in_time is not None else "",
                r.then,
                r.there,
                "; ".join(r.gaps) or (f"waived: {r.waived}" if r.waived else "none"),
            ]
            for r in self.rows
        ]
        head = [
            "in mode",
            "fault",
            "the chip",
            "alone",
            "the controller",
            "handled after",
            "within",
            "then",
            "there",
            "open",
        ]
        return table(head, rows, caption="What follows on every fault in every mode", cls="dense")
