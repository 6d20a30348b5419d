"""Small HTML builder: everything is escaped unless it is markup of this builder."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from eo_risk.output.numbers import printable

_VOID = {"meta", "br", "hr", "col", "line", "path", "rect", "polyline", "polygon", "circle"}


class Markup(str):
    """Text that is HTML already; any other text is escaped on its way in."""

    __slots__ = ()


def escaped(content: object) -> Markup:
    """Escape text; markup and lists of markup pass, None disappears."""
    if content is None:
        return Markup("")
    if isinstance(content, Markup):
        return content
    if isinstance(content, Iterable) and not isinstance(content, str):
        return Markup("".join(escaped(part) for part in content))
    return Markup(html.escape(printable(content), quote=True))


def tag(name: str, /, *content: object, **attributes: object) -> Markup:
    """Build one element; ``class_`` and ``data_label`` become ``class`` and ``data-label``."""
    pairs = (
        f' {key.rstrip("_").replace("_", "-")}="{html.escape(printable(value), quote=True)}"'
        for key, value in attributes.items()
        if value is not None
    )
    opening = f"<{name}{''.join(pairs)}>"
    if name in _VOID:
        return Markup(opening[:-1] + "/>")
    return Markup(f"{opening}{escaped(content)}</{name}>")


def table(
    header: Sequence[str], rows: Iterable[Sequence[object]], *, class_: str = "", caption: str = ""
) -> Markup:
    """Build a table whose cells carry their column's name, so that a phone can stack them."""
    head = tag("thead", tag("tr", [tag("th", title, scope="col") for title in header]))
    body = tag(
        "tbody",
        [
            tag("tr", [tag("td", tag("div", cell), data_label=title)
                       for title, cell in zip(header, row, strict=True)])
            for row in rows
        ],
    )  # fmt: skip
    title = tag("caption", caption) if caption else None
    return tag("table", title, head, body, class_=f"stack {class_}".strip())


def bullets(lines: Iterable[object], class_: str | None = None) -> Markup:
    """Build a list; nothing when there are no lines."""
    items = [tag("li", line) for line in lines]
    return tag("ul", items, class_=class_) if items else Markup("")


def facts(pairs: Iterable[tuple[str, object]], class_: str = "facts") -> Markup:
    """Build a list of names and values."""
    rows = [tag("div", tag("dt", name), tag("dd", value)) for name, value in pairs]
    return tag("dl", rows, class_=class_)


def css_text(text: str) -> str:
    """Write text as a CSS string in which every sign but letters and digits is escaped."""
    signs = (c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in printable(text))
    return '"' + "".join(signs) + '"'


def page(title: str, style: str, body: Markup) -> str:
    """Build a self-contained page: no script, nothing fetched, whatever the text holds."""
    policy = "default-src 'none'; style-src 'unsafe-inline'"
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", title),
        tag("style", Markup(style)),
    )
    return "<!doctype html>\n" + tag("html", head, tag("body", body), lang="en") + "\n"
