"""Builds HTML in which everything is escaped unless it was built here."""

from collections.abc import Iterable

Attribute = str | float | bool | None
_ESCAPES = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;", "'": "&#x27;"})
_VOID = frozenset({"link", "meta", "rect", "line", "path", "circle"})
"""Elements without an end; those of SVG are closed at once."""


class Markup(str):
    """HTML as it stands; only `tag` and `join` make it, so a plain `str` is always text from elsewhere."""

    __slots__ = ()


Inside = str | Iterable["Inside"] | None


def join(*inside: Inside) -> Markup:
    """Several pieces in a row; plain text is escaped, None is nothing."""
    return Markup("".join(_piece(one) for one in inside))


def escape(text: str) -> str:
    """As html.escape, which comes with all two thousand entities of HTML: half a megabyte."""
    return text.translate(_ESCAPES)


def _piece(one: Inside) -> str:
    if one is None:
        return ""
    if isinstance(one, Markup):
        return one
    if isinstance(one, str):
        return escape(one)
    return join(*one)


def tag(name: str, /, *inside: Inside, **attributes: Attribute) -> Markup:
    """One element. `class_` is class, `aria_label` is aria-label; None and False leave an attribute out."""
    words = [name]
    for key, value in attributes.items():
        known = key.rstrip("_").replace("_", "-")
        if value is True:
            words.append(known)
        elif value is not None and value is not False:
            shown = f"{value:.2f}" if isinstance(value, float) else str(value)
            words.append(f'{known}="{escape(shown)}"')
    head = " ".join(words)
    if name in _VOID:
        return Markup(f"<{head}>" if name in ("link", "meta") else f"<{head}/>")
    return Markup(f"<{head}>{join(*inside)}</{name}>")


def unseen(*inside: Inside) -> Markup:
    """Words for those who hear the page."""
    return tag("span", *inside, class_="unseen")
