"""A mail as HTML: narrow enough for 320 pixels, dark where the reader's program is, and nothing fetched from outside.

Text and ground keep the colours of the reader's program; only borders and badges have their own, which stand out on
both a light and a dark ground.
"""

from __future__ import annotations

from collections.abc import Iterable

from loggerd.wording.layout import Element, Facts, Heading, Image, Link, Paragraph, Points, Table, Title

_COLOURS = {"critical": "#c0272d", "high": "#b8520a", "medium": "#8a6d00", "low": "#3a6ea5", "": "#4d7a4d"}
_LINE = "#8c8c8c"
_PAGE = (
    '<!DOCTYPE html>\n<html lang="{language}"><head><meta charset="utf-8">'
    '<meta name="viewport" content="width=device-width, initial-scale=1">'
    '<meta name="color-scheme" content="light dark"><meta name="supported-color-schemes" content="light dark">'
    "<title>{title}</title><style>:root{{color-scheme:light dark}}</style></head>\n"
    '<body style="margin:0;padding:12px;font-family:Verdana,Geneva,sans-serif;font-size:16px;line-height:1.45;'
    'overflow-wrap:anywhere;word-break:break-word">\n<div style="max-width:620px;margin:0 auto">\n{body}\n'
    "</div></body></html>\n"
)


def html(elements: Iterable[Element], title: str, language: str) -> str:
    """The whole page. `language`: its code, "en"."""
    body = "\n".join(_shown(element) for element in elements)
    return _PAGE.format(language=escape(language), title=escape(title), body=body)


def escape(text: str) -> str:
    """Text that means nothing but itself."""
    for sign, name in (("&", "&amp;"), ("<", "&lt;"), (">", "&gt;"), ('"', "&quot;"), ("'", "&#39;")):
        text = text.replace(sign, name)
    return text


def _shown(element: Element) -> str:  # noqa: PLR0911 - one for each kind of element
    match element:
        case Title():
            return _title(element)
        case Heading(text):
            return f'<h2 style="font-size:16px;margin:18px 0 4px">{escape(text)}</h2>'
        case Paragraph(text, small):
            size = "13px" if small else "16px"
            return f'<p style="margin:8px 0;font-size:{size}">{escape(text)}</p>'
        case Points():
            return _points(element)
        case Facts(rows):
            return '<div style="margin:10px 0">' + "".join(map(_fact, rows)) + "</div>"
        case Table():
            return _table(element)
        case Link(label, url):
            style = f"display:inline-block;padding:12px 16px;margin:8px 0;border:2px solid {_LINE};border-radius:4px"
            return f'<p style="margin:8px 0"><a href="{escape(url)}" style="{style}">{escape(label)}</a></p>'
        case Image(content_id, alt, key):
            style = "max-width:100%;height:auto;border:0"
            image = f'<img src="cid:{escape(content_id)}" alt="{escape(alt)}" width="600" style="{style}">'
            return f'<p style="font-size:13px">{image}<br>{escape(key)}</p>'


def _title(title: Title) -> str:
    colour = _COLOURS[title.tone]
    badge = ""
    if title.above:
        style = (
            f"display:inline-block;background:{colour};color:#ffffff;padding:2px 8px;font-size:14px;font-weight:bold"
        )
        badge = f'<div><span style="{style}">{escape(title.above)}</span></div>'
    style = f"border-top:5px solid {colour};margin:22px 0 10px;padding-top:8px"
    head = f'<h1 style="font-size:21px;line-height:1.25;margin:6px 0">{escape(title.text)}</h1>'
    return f'<div style="{style}">{badge}{head}</div>'


def _points(points: Points) -> str:
    tag = "ol" if points.numbered else "ul"
    border = f";border-left:5px solid {_COLOURS['critical']}" if points.warning else ""
    style = f"margin:4px 0 10px;padding-left:24px{border}"
    items = "".join(f'<li style="margin:4px 0">{escape(item)}</li>' for item in points.items)
    return f'<{tag} style="{style}">{items}</{tag}>'


def _fact(row: tuple[str, str]) -> str:
    name, value = map(escape, row)
    style = f"margin:0;padding:4px 0;border-bottom:1px solid {_LINE}"
    label = f'<span style="display:inline-block;min-width:190px;font-size:13px">{name}</span>'
    return f'<p style="{style}">{label} <b style="display:inline-block">{value}</b></p>'


def _table(table: Table) -> str:
    def row(cells: tuple[str, ...], tag: str) -> str:
        style = f"padding:4px 5px;border-bottom:1px solid {_LINE};font-size:14px"
        return (
            "<tr>"
            + "".join(
                f'<{tag} style="{style};text-align:{"right" if column else "left"}">{escape(cell)}</{tag}>'
                for column, cell in enumerate(cells)
            )
            + "</tr>"
        )

    rows = row(table.head, "th") + "".join(row(cells, "td") for cells in table.rows)
    return f'<table style="border-collapse:collapse;width:100%;margin:8px 0">{rows}</table>'
