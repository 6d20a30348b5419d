"""How the report looks: sober, printable, legible in black and white and on a phone."""

from __future__ import annotations

from eo_risk.output.html import css_text

# The rules of a chart, for a page that shows nothing else of a report.
CHART = """
.chart { --ink: #1a1d21; display: block; width: 100%; max-width: 620px; font-size: 12px; }
.chart text { fill: var(--ink); }
.chart .label { font-weight: 600; paint-order: stroke; stroke: #fff; stroke-width: 3px; }
.chart .grid { stroke: #dfe3e7; } .chart .axis { stroke: var(--ink); }
.chart .band { fill: #b9c7d2; fill-opacity: .55; }
.chart .edge { fill: none; stroke: #51606d; }
.chart .middle { fill: none; stroke: #0b3f5c; stroke-width: 2.2; }
.chart .limit { stroke: #8f2d0b; stroke-width: 1.8; }
.chart .moment { stroke: var(--ink); stroke-width: 1.2; }
"""
_SCREEN = """
:root { --ink: #1a1d21; --soft: #59616b; --rule: #c3c9d0; --wash: #f2f4f6; --deep: #1d5f6f; }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 62rem; padding: 1rem; color: var(--ink); background: #fff;
  font: 15px/1.4 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.25rem; margin: 0 0 .3rem; padding-top: .4rem; border-top: 2px solid var(--deep); }
h3 { font-size: 1rem; margin: .9rem 0 .2rem; color: var(--deep); }
p, ul { margin: .3rem 0; }
ul { padding-left: 1.2rem; }
section { margin-bottom: 2rem; }
td, dd, h2, li, figcaption { unicode-bidi: isolate; }
table { border-collapse: collapse; width: 100%; margin: .6rem 0; }
caption { text-align: left; font-weight: 600; color: var(--deep); padding: .3rem 0; }
th { text-align: left; overflow-wrap: normal; font-size: .85em; color: var(--soft);
  border-bottom: 1.5px solid var(--ink); padding: .15rem .4rem .15rem 0; vertical-align: bottom; }
.items td:first-child { min-width: 9rem; }
td { border-bottom: 1px solid var(--rule); padding: .2rem .5rem .2rem 0; vertical-align: top; }
dl { margin: .4rem 0; }
dl > div { display: grid; grid-template-columns: 9.5rem 1fr; gap: .6rem; padding: .08rem 0; }
dl.across { display: flex; flex-wrap: wrap; gap: .2rem 2rem; }
dl.across > div { display: block; }
dt { color: var(--soft); }
dl.across dt { font-size: .85em; }
dd { margin: 0; }
small, .small { font-size: .85em; color: var(--soft); }
.verdict { white-space: nowrap; }
.sign { width: 1em; height: 1em; vertical-align: -.13em; }
.sign .shape { fill: #fff; stroke: var(--ink); stroke-width: 1.5; }
.sign path { fill: none; stroke: var(--ink); stroke-width: 2; }
.sign.hold .shape { fill: #8f2d0b; stroke: #8f2d0b; } .sign.hold path { stroke: #fff; }
.sign.unassessed .shape { stroke-dasharray: 2.5 1.8; }
.sign.close .shape { fill: #ffd58a; }
.sign.within .shape { stroke: #0b5c80; } .sign.within path { stroke: #0b5c80; }
.line-of-verdict { background: var(--wash); border-left: 4px solid var(--deep);
  padding: .4rem .6rem; }
.blocking { border: 1.5px solid var(--ink); padding: .3rem .5rem; }
.notice { border-top: 1px solid var(--rule); padding-top: .3rem; font-weight: 600; }
.signatures { display: flex; gap: 1.5rem; padding-top: 1.6rem; }
.signatures .line { flex: 1; display: flex; gap: .4rem; align-items: flex-end; }
.signatures .line:last-child { flex: 1.6; }
.signatures i { flex: 1; border-bottom: 1px solid var(--ink); }
figure { margin: .4rem 0; }
@media print, (min-width: 641px) {
  .residues { table-layout: fixed; }
  .residues th:nth-child(1) { width: 10%; } .residues th:nth-child(2) { width: 21%; }
  .residues th:nth-child(3) { width: 16%; } .residues th:nth-child(5) { width: 11%; }
  .residues th:nth-child(6) { width: 13%; }
}
@media screen and (max-width: 640px) {
  body { padding: .6rem; }
  table.stack thead { display: none; }
  table.stack, table.stack caption, table.stack tbody, table.stack tr, table.stack td {
    display: block;
  }
  table.stack tr { border-bottom: 1.5px solid var(--ink); padding: .3rem 0; }
  table.stack td { border: 0; display: grid; grid-template-columns: 7.5rem 1fr; gap: .4rem; }
  table.stack td::before { content: attr(data-label); color: var(--soft); font-size: .85em; }
  dl > div { grid-template-columns: 1fr; gap: 0; }
  .signatures { flex-direction: column; }
}
"""

_PRINT = """
@page { margin: 10mm 12mm 13mm; @bottom-left { content: LEFT; font: 8pt sans-serif; }
  @bottom-right { content: "page " counter(page) " of " counter(pages); font: 8pt sans-serif; } }
@media print {
  body { font-size: 9.5pt; line-height: 1.3; padding: 0; max-width: none; }
  .sheet { font-size: 9pt; line-height: 1.18; break-after: page; margin: 0; }
  .sheet h1 { font-size: 14pt; margin: 0; }
  .sheet table { table-layout: fixed; margin: 1mm 0; }
  .sheet th:nth-child(1) { width: 19%; } .sheet th:nth-child(2) { width: 15%; }
  .sheet th:nth-child(4) { width: 27%; } .sheet th:nth-child(5) { width: 9%; }
  .sheet td { padding: .3mm 1.5mm .3mm 0; }
  .sheet dl, .sheet p, .sheet ul { margin: .8mm 0; }
  .sheet dl > div { grid-template-columns: 27mm 1fr; gap: 2mm; padding: 0; }
  .sheet .blocking { padding: .8mm 1.5mm; break-inside: avoid; }
  .sheet .signatures { padding-top: 6mm; }
  .sheet footer { break-inside: avoid; }
  h2, h3, caption { break-after: avoid; }
  tr, figure, li, dl, .line-of-verdict { break-inside: avoid; }
  .chart { max-width: 115mm; }
  details::details-content { content-visibility: visible; block-size: auto; }
  * { print-color-adjust: exact; }
}
"""


def style(foot: str) -> str:
    """Return the style sheet; `foot` is printed at the bottom of every page."""
    return _SCREEN + CHART + _PRINT.replace("LEFT", css_text(foot))
