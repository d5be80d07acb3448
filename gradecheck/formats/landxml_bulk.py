"""Many small elements alike, such as the points of a surface: their texts in blocks of text.

In a block an element is its mark (the value of one attribute), `MARKED`, its text, `ENDED`. No XML text can hold
these two signs. Elements written so plainly that nothing but their tags and figures is there are told from their
bytes; a parser need not see them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

MARKED = "\2"
ENDED = "\0"
_SIGNS = (b"\0", b"\1", b"\2")
_FIGURES = b"0123456789+-.,eE \t\r\n"
_BLOCK = 200_000
"""Pieces of text that are handed over together, about four to an element."""


@dataclass(frozen=True, slots=True)
class Gather:
    """Take marks and texts of the elements `tag` inside an element; other elements there are passed over.

    mark: the attribute kept of each. default: its value where it is not there. take: is given the blocks, in order.
    """

    tag: str
    mark: str
    default: str
    take: Callable[[str], None]


@dataclass(slots=True)
class Run:
    """A gathering under way. tag: the elements' name as it stands in the file, prefix and all."""

    gather: Gather
    tag: str
    pieces: list[str] = field(default_factory=list)

    @property
    def close(self) -> bytes:
        """The tag that ends an element."""
        return f"</{self.tag}>".encode()

    @property
    def ended(self) -> bool:
        """Whether an element has just ended."""
        return bool(self.pieces) and self.pieces[-1] is ENDED

    @property
    def full(self) -> bool:
        """Whether it is time to hand over."""
        return len(self.pieces) >= _BLOCK

    def flush(self) -> None:
        """Hand over what there is."""
        if self.pieces:
            self.gather.take("".join(self.pieces))
            self.pieces.clear()

    def plain(self, data: bytes) -> bool:
        """Take the elements from their bytes, where these hold whole elements, white space and nothing else.

        >>> taken = []
        >>> run = Run(Gather("P", "id", "", taken.append), "P")
        >>> run.plain(b'<P id="7">1 2 3</P> <P id="8">4,5,6</P>'), run.plain(b'<P id="9" code="TC">7 8 9</P>')
        (True, False)
        >>> taken
        ['7\\x021 2 3\\x00 8\\x024,5,6\\x00']
        """
        if any(sign in data for sign in _SIGNS):
            return False
        tag, mark, default = (text.encode() for text in (self.tag, self.gather.mark, self.gather.default))
        signed = data.replace(b"<%b>" % tag, b"\1" + default + b"\2").replace(b'<%b %b="' % (tag, mark), b"\1")
        signed = signed.replace(b'">', b"\2").replace(self.close, b"\0")
        rest = signed.translate(None, _FIGURES)
        if rest != b"\1\2\0" * (len(rest) // 3):
            return False
        self.flush()
        self.gather.take(signed.replace(b"\1", b"").decode("ascii"))
        return True
