"""What is said on a terminal: no sign of it may steer the terminal or turn the text around it."""

from __future__ import annotations


def steady(text: str) -> str:
    r"""Text with every sign that does not show written as its code.

    Line ends and no-break spaces stay.

    >>> print(steady("a\x1b[2Jb\u202ec"))
    a\x1b[2Jb\u202ec
    """
    return "".join(
        sign if sign.isprintable() or sign in "\n\u00a0" else sign.encode("unicode_escape").decode()
        for sign in text
    )
