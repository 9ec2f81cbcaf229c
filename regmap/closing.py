"""What is opened and must be closed, also when something goes wrong in between."""

from __future__ import annotations

TYPE_CHECKING = False
if TYPE_CHECKING:
    from types import TracebackType

    from typing_extensions import Self


class Closing:
    """For `with`: at its end `ended` is told what the body raised, and closes as a rule."""

    def close(self) -> None:
        """Let go of what is held. Does nothing the second time."""
        raise NotImplementedError

    def ended(self, error: BaseException | None) -> None:
        """The end of a `with`, and what its body raised (None: nothing)."""
        del error
        self.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.ended(error)
