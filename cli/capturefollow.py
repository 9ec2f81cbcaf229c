"""`gateword capture --follow`: a capture read as it grows, in chapters, with bounded memory."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from regmap.trace.chapters import AllChapters, long_enough, next_chapter, tidy

from .capturejson import JsonLines
from .captureshow import item_lines, summary_lines

if TYPE_CHECKING:
    from regmap.stages.identity import DocumentIdentity
    from regmap.trace.events import Event, Quiet
    from regmap.trace.telling.story import Story
    from regmap.trace.tracer import Trace


class TextLines(JsonLines):
    """The same for people: the timeline as it comes, then what a chapter says."""

    def emit(self, trace: Trace, item: Event | Quiet) -> None:
        """Tell one item."""
        for line in item_lines(trace, item, self.context):
            self.context.out(line)

    def chapter(self, trace: Trace, story: Story, who: DocumentIdentity, number: int) -> None:
        """The end of a chapter of a capture that goes on."""
        self.rest(trace)
        self.told_up_to(trace)
        self.context.out(
            self.context.style(f"chapter {number}, up to {trace.clock.text(trace.end)}", "head")
        )
        for line in summary_lines(trace, story, who, self.context):
            self.context.out(line)
        self.context.stdout.flush()


class Follower:
    """Tells each part as it comes; ends a chapter where it is long enough. `stops` are those of all chapters."""

    def __init__(
        self, lines: JsonLines, tell: Callable[[Trace], Story], who: DocumentIdentity
    ) -> None:
        self.lines = lines
        self.tell = tell
        self.who = who
        self.course = AllChapters()
        self.stops: set[str] = set()

    def part(self, trace: Trace) -> None:
        """Some more frames were read."""
        self.lines.part(trace)
        tidy(trace)
        if long_enough(trace):
            story = self.tell(trace)
            self.stops |= {s.name for s in story.stops}
            self.course.add(trace)
            self.lines.chapter(trace, story, self.who, self.course.chapters)
            next_chapter(trace)

    def finish(self, trace: Trace) -> AllChapters | None:
        """The course of all chapters, with the last one; None where there was only one."""
        if not self.course.chapters:
            return None
        self.course.add(trace)
        return self.course
