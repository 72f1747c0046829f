"""Names in C that do not collide with the language or its library."""

from __future__ import annotations

import re

from sonify.errors import InputError

__all__ = ["check_prefix", "voice_names"]

# ISO/IEC 9899:1999, 6.4.1
KEYWORDS = frozenset(
    [
        "auto", "break", "case", "char", "const", "continue", "default", "do", "double",
        "else", "enum", "extern", "float", "for", "goto", "if", "inline", "int", "long",
        "register", "restrict", "return", "short", "signed", "sizeof", "static", "struct",
        "switch", "typedef", "union", "unsigned", "void", "volatile", "while",
    ]
)  # fmt: skip
# ISO/IEC 9899:1999, 7.1.2, and the POSIX headers that a build is likeliest to meet
HEADERS = frozenset(
    [
        "assert", "complex", "ctype", "errno", "fenv", "float", "inttypes", "iso646",
        "limits", "locale", "math", "setjmp", "signal", "stdarg", "stdbool", "stddef",
        "stdint", "stdio", "stdlib", "string", "tgmath", "time", "wchar", "wctype", "unistd",
        "pthread", "fcntl", "termios",
    ]
)  # fmt: skip
# ISO/IEC 9899:1999, 7.26: names that begin like this are reserved for the library
_KEPT = re.compile(r"(str|mem|wcs|is|to)[a-z]")
_NAME = re.compile(r"[a-z][a-z0-9_]{0,23}")


def check_prefix(prefix: str) -> str:
    """Check the prefix of all C names and files.

    Raises
    ------
    InputError
        Not a name, or one that collides.
    """
    problems = (
        (
            not _NAME.fullmatch(prefix) or prefix.endswith("_"),
            "can't begin names in C: give a lower-case letter, then up to 23 more, digits or _",
        ),
        (prefix in KEYWORDS, "is a keyword of C"),
        (prefix in HEADERS, f"would collide with the header <{prefix}.h>"),
        (
            _KEPT.match(prefix),
            "begins like names that C reserves for its library (str, mem, wcs, is or to, then a "
            "letter)",
        ),
    )
    for wrong, why in problems:
        if wrong:
            raise InputError(f"'{prefix}' {why}; use another, such as player", key="prefix")
    return prefix


def voice_names(names: list[str]) -> list[str]:
    """Make a C name for each voice.

    Raises
    ------
    InputError
        Two voices get the same name.
    """
    out: list[str] = []
    for n, name in enumerate(names):
        c = re.sub(r"[^A-Z0-9]+", "_", name.upper()).strip("_") or f"NO_{n + 1}"
        if c in out:
            other = names[out.index(c)]
            raise InputError(
                f"the voices '{other}' and '{name}' would both be VOICE_{c} in C; give one of "
                "them another name",
                place=f"music.voice[{n}].name",
            )
        out.append(c)
    return out
