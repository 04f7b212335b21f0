"""JSON pointers (RFC 6901): where in a message a value stands."""

import re
from dataclasses import dataclass

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")
_ESCAPE = re.compile(r"~(?![01])")


@dataclass(frozen=True, slots=True)
class Pointer:
    """A pointer taken apart. `text` is as written; an empty one means the whole document."""

    text: str
    tokens: tuple[str, ...]

    def find(self, document: object) -> object:
        """What stands there. Raises LookupError, naming how far the document goes along with the pointer."""
        here = document
        for depth, token in enumerate(self.tokens):
            if isinstance(here, dict) and token in here:
                here = here[token]
            elif isinstance(here, list) and _INDEX.fullmatch(token) and int(token) < len(here):
                here = here[int(token)]
            else:
                raise LookupError("".join(f"/{escaped(token)}" for token in self.tokens[: depth + 1]))
        return here


def pointer(text: str) -> Pointer:
    """Take `text` apart (RFC 6901 sections 3 and 4). Raises ValueError, saying what to write."""
    if text and not text.startswith("/"):
        raise ValueError(f'a JSON pointer starts with /: did you mean "/{text.replace(".", "/")}"?')
    if _ESCAPE.search(text):
        raise ValueError("in a JSON pointer ~ is written ~0, and / inside a name ~1")
    # ~1 first: ~01 stands for ~1, not for / (section 4).
    tokens = tuple(token.replace("~1", "/").replace("~0", "~") for token in text.split("/")[1:])
    return Pointer(text, tokens)


def escaped(token: str) -> str:
    """One name as it stands in a pointer."""
    return token.replace("~", "~0").replace("/", "~1")
