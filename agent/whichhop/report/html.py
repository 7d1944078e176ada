"""Sections to one self-contained page: no script, nothing fetched, for screen, dark and light, and paper."""

from html import escape

from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Block, Bullets, FactList, Fixed, Grid, Notice, Para, Picture, Section
from whichhop.report.contents import UNDER, Paper, contents, title_of
from whichhop.report.plot import style
from whichhop.report.wire_form import dossier_bytes

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
OPEN = '<script type="application/json" id="dossier">'
CLOSE = "</script>"

_CSS = """
:root{color-scheme:light dark;--paper:#fff;--ink:#1c1f24;--soft:#5b626b;--rule:#d8dce1;--mark:#fbeee4;
--claim:#9a3c00;--hold:#5b4a00;--no-fault:#00573f}
*{box-sizing:border-box}
body{margin:0 auto;max-width:52rem;padding:1.5rem 1.25rem 4rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif}
h1{font-size:1.5rem;margin:0}h2{font-size:1.15rem;margin:2.5rem 0 .6rem;padding-top:.6rem;
border-top:1px solid var(--rule)}
header p{margin:.1rem 0 0;color:var(--soft)}
#answer h2,#letter h2,#phone h2,#summary h2{
border:0;margin:0;padding:0;position:absolute;clip-path:inset(50%);height:1px;overflow:hidden}
.notice{border-left:.35rem solid;padding:.15rem 0 .15rem .9rem;margin:1rem 0}
.notice strong{display:block;font-size:1.25rem;line-height:1.3}.notice p{margin:.3rem 0 0;font-size:1.05rem}
.claim{border-color:var(--claim)}.claim strong{color:var(--claim)}
.hold{border-color:var(--hold)}.hold strong{color:var(--hold)}
.no-fault{border-color:var(--no-fault)}.no-fault strong{color:var(--no-fault)}
dl{display:grid;grid-template-columns:max-content 1fr;gap:.15rem 1rem;margin:1rem 0}
dt{color:var(--soft)}dd{margin:0}
figure{margin:1rem 0}figure svg{display:block;width:100%;height:auto}
figcaption,caption{color:var(--soft);font-size:.88rem;text-align:left}caption{padding-bottom:.3rem}
.tall{display:none}.wide{overflow-x:auto;margin:1rem 0}.wide:focus-visible{outline:2px solid var(--ink)}
table{border-collapse:collapse;width:100%;font-size:.82rem}
th,td{text-align:left;vertical-align:top;padding:.25rem .55rem .25rem 0;border-bottom:1px solid var(--rule)}
th{font-weight:600}.n{text-align:right;font-variant-numeric:tabular-nums}
tr.m>*{background:var(--mark)}
code{font:.8rem/1.4 ui-monospace,monospace;overflow-wrap:anywhere;display:block;padding:.3rem 0}
td.d{font:.72rem/1.4 ui-monospace,monospace;overflow-wrap:anywhere}
ul{padding-left:1.2rem;margin:.4rem 0}li{margin:.15rem 0}p{margin:.6rem 0}
@media(max-width:34rem){dl{grid-template-columns:1fr;gap:0}dd{margin-bottom:.4rem}}
@media screen and (max-width:44rem){.many table{min-width:44rem}figure svg{min-width:40rem}
.two .wide{display:none}.two .tall{display:block}figure .tall svg{min-width:0;max-width:24rem}}
@media(prefers-color-scheme:dark){:root{--paper:#16191d;--ink:#eceff2;--soft:#a9b1ba;--rule:#3a4048;
--mark:#3a2a1f;--claim:#ffa366;--hold:#e8cf6a;--no-fault:#5fd3a8}}
@media print{:root{color-scheme:light;--paper:#fff;--ink:#000;--soft:#444;--rule:#bbb;--mark:#fbeee4;
--claim:#9a3c00;--hold:#5b4a00;--no-fault:#00573f}
@page{size:A4;margin:13mm}html{font-size:9pt}body{padding:0;max-width:none}
#answer{break-after:page}#answer figure,tr{break-inside:avoid}h2{break-after:avoid}
table{font-size:7.2pt}code,td.d{font-size:6.6pt}.wide{overflow:visible}}
"""


FEW_COLUMNS = 4
"""As many columns fit beside each other on a telephone."""


def _css() -> str:
    return _CSS + style() + f"@media screen and (prefers-color-scheme:dark){{{style(dark=True)}}}"


def _grid(grid: Grid) -> str:
    kind = "wide many" if len(grid.head) > FEW_COLUMNS else "wide"
    out = [
        f'<div class="{kind}" tabindex="0" role="region" aria-label="{escape(grid.caption)}">'
        f"<table><caption>{escape(grid.caption)}</caption><thead><tr>"
    ]
    for i, words in enumerate(grid.head):
        out.append(f'<th scope="col"{_kind(grid, i, "")}>{escape(words)}</th>')
    out.append("</tr></thead><tbody>")
    for place, row in enumerate(grid.rows):
        cells = [f"<td{_kind(grid, i, cell)}>{escape(cell)}</td>" for i, cell in enumerate(row)]
        cells[0] = cells[0].replace("<td", '<th scope="row"').replace("</td>", "</th>")
        mark = ' class="m"' if place in grid.marked else ""
        out.append(f"<tr{mark}>{''.join(cells)}</tr>")
    return "".join(out) + "</tbody></table></div>"


def _kind(grid: Grid, column: int, cell: str) -> str:
    if column in grid.numbers:
        return ' class="n"'
    return ' class="d"' if len(cell) == 64 and " " not in cell else ""


def _block(block: Block) -> str:  # noqa: PLR0911 # one return a kind of block
    match block:
        case Para(text=text):
            return f"<p>{escape(text)}</p>"
        case Notice(tone=tone, head=head, text=text):
            return f'<div class="notice {tone}"><strong>{escape(head)}</strong><p>{escape(text)}</p></div>'
        case Bullets(items=items):
            return "<ul>" + "".join(f"<li>{escape(item)}</li>" for item in items) + "</ul>"
        case FactList(pairs=pairs):
            return "<dl>" + "".join(f"<dt>{escape(a)}</dt><dd>{escape(b)}</dd>" for a, b in pairs) + "</dl>"
        case Picture(svg=svg, caption=caption, narrow=narrow):
            # On a telephone it is moved sideways: as narrow as that, nobody could read what is written in it.
            drawn = f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}">{svg}</div>'
            if narrow:
                drawn = f'<div class="two">{drawn}<div class="tall">{narrow}</div></div>'
            return f"<figure>{drawn}<figcaption>{escape(caption)}</figcaption></figure>"
        case Fixed(text=text):
            return f"<code>{escape(text)}</code>"
        case Grid():
            return _grid(block)


def _section(section: Section) -> str:
    inner = "\n".join(_block(b) for b in section.blocks)
    return f'<section id="{section.name}"><h2>{escape(section.title)}</h2>\n{inner}\n</section>'


def page(dossier: Dossier, paper: Paper = Paper.REPORT) -> str:
    """A whole page without its seal; the same dossier gives the same page."""
    title = title_of(dossier, paper)
    # JSON inside a script element that no browser runs; "<" is written so that no text can close it.
    data = dossier_bytes(dossier).decode().replace("<", "\\u003c")
    body = "\n".join(_section(s) for s in contents(dossier, paper))
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">\n'
        f"<title>{escape(title)}</title>\n<style>{_css()}</style>\n</head>\n<body>\n"
        f"<header><h1>{escape(title)}</h1>"
        f"<p>{escape(UNDER[paper])}</p></header>\n"
        f"<main>\n{body}\n</main>\n{OPEN}{data}{CLOSE}\n</body>\n</html>\n"
    )


def dossier_part(page_text: str) -> bytes | None:
    """The dossier's bytes inside a page; None when there are none."""
    _, found, rest = page_text.rpartition(OPEN)
    data, closed, _ = rest.partition(CLOSE)
    return data.replace("\\u003c", "<").encode() if found and closed else None
