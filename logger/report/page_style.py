"""Hold the style sheet of pages and pictures: dark and light by the reader's choice, black and white on paper.

Law: no file, font or address from outside; a page is whole by itself. A figure has two drawings of one curve; which of
them is shown is decided by the width alone. Nothing is told by colour only.
"""

NARROW_PX = 640
STYLE = f"""
:root {{ color-scheme: light dark; --paper: #fff; --ink: #16191d; --soft: #596069; --rule: #c9ced4; --band: #bcd3ea;
  --course: #0b4f8a; --doubt: #e3e5e8; --stripe: #8b939c; --alarm: #b3261e; --claim: #14683a; --due: #8a3a00; }}
@media (prefers-color-scheme: dark) {{ :root {{ --paper: #101418; --ink: #e6e9ec; --soft: #a3abb4; --rule: #3a424b;
  --band: #24425f; --course: #8cc2f5; --doubt: #2a3037; --stripe: #77808a; --alarm: #ff8a80; --claim: #7fd8a0;
  --due: #ffb27a; }} }}
@media print {{ :root {{ color-scheme: light; --paper: #fff; --ink: #000; --soft: #333; --rule: #c4c4c4;
  --band: #d4d4d4; --course: #000; --doubt: #ececec; --stripe: #666; --alarm: #000; --claim: #000; --due: #000; }} }}
@page {{ margin: 14mm 12mm; }}
* {{ box-sizing: border-box; }}
html {{ -webkit-text-size-adjust: 100%; }}
body {{ margin: 0 auto; padding: 1rem; max-width: 62rem; background: var(--paper); color: var(--ink);
  font: 16px/1.45 system-ui, "DejaVu Sans", sans-serif; overflow-wrap: break-word; }}
h1 {{ font-size: 1.5rem; line-height: 1.2; margin: 0 0 .3rem; }}
h2 {{ font-size: 1.15rem; margin: 1.8rem 0 .4rem; border-bottom: 1px solid var(--rule); }}
h3 {{ font-size: 1rem; margin: 1.1rem 0 .3rem; }}
p, ul, ol, dl {{ margin: .4rem 0; }}
a {{ color: var(--course); }}
.soft {{ color: var(--soft); }}
.caution {{ border: 2px solid var(--ink); padding: .5rem .75rem; margin: .8rem 0; }}
.simulated {{ border: 3px double var(--alarm); color: var(--alarm); font-weight: 700; padding: .4rem .75rem; }}
.watermark {{ position: fixed; inset: 0; display: grid; place-items: center; pointer-events: none; z-index: 1;
  font: 700 15vw system-ui, sans-serif; color: var(--alarm); opacity: .07; transform: rotate(-30deg); }}
.missing {{ font-weight: 700; letter-spacing: .02em; }}
.hash {{ overflow-wrap: anywhere; font-family: ui-monospace, "DejaVu Sans Mono", monospace; font-size: .85em; }}
dl.facts {{ display: grid; grid-template-columns: minmax(8rem, 15rem) 1fr; gap: .15rem 1rem; }}
dl.facts dt {{ color: var(--soft); }}
dl.facts dd {{ margin: 0; min-width: 0; white-space: pre-line; overflow-wrap: anywhere; }}
dl.identity {{ grid-template-columns: auto 1fr auto 1fr; }}
dl.identity dd.hash {{ grid-column: 2 / -1; }}
.wide {{ overflow-x: auto; }}
table {{ border-collapse: collapse; width: 100%; font-size: .88rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .2rem .5rem .2rem 0; border-bottom: 1px solid var(--rule); }}
th {{ font-weight: 600; }}
td {{ white-space: pre-line; }}
td.time {{ white-space: nowrap; }}
td.number, th.number {{ text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }}
.sign-here {{ display: grid; grid-template-columns: 1fr 1fr; gap: 1.6rem 2rem; margin-top: 1.6rem; }}
.sign-here div {{ border-bottom: 1px solid var(--ink); padding-top: 1.4rem; font-size: .85rem; }}
figure {{ margin: .6rem 0; }}
figcaption {{ font-size: .85rem; }}
.legend {{ color: var(--soft); }}
.key {{ columns: 2 20rem; padding-left: 0; list-style: none; font-size: .85rem; }}
.key li {{ break-inside: avoid; overflow-wrap: anywhere; padding-left: 2.2em; text-indent: -2.2em; }}
.key b {{ display: inline-block; min-width: 2.2em; text-indent: 0; }}
.for-narrow {{ display: none; }}
svg.curve {{ display: block; width: 100%; height: auto; }}
svg.curve text {{ font: 12px system-ui, "DejaVu Sans", sans-serif; fill: var(--ink); }}
svg.curve .sign {{ font-weight: 700; }}
svg.curve .halo {{ paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }}
svg.curve path {{ fill: none; }}
svg.curve .frame {{ fill: none; stroke: var(--soft); }}
svg.curve .grid {{ stroke: var(--rule); stroke-width: .6; }}
svg.curve .not-believed {{ fill: var(--doubt); stroke: none; }}
svg.curve .gap {{ stroke: var(--stripe); stroke-width: .6; }}
svg.curve .hatch {{ stroke: var(--stripe); stroke-width: 2.4; }}
svg.curve .band {{ fill: var(--band); fill-opacity: .75; stroke: var(--band); stroke-width: .8; }}
svg.curve .course {{ stroke: var(--course); stroke-width: 1.6; stroke-linejoin: round; }}
svg.curve .target {{ stroke: var(--claim); stroke-width: 1.4; stroke-dasharray: 10 4; }}
svg.curve .limit {{ stroke: var(--alarm); stroke-width: 1; stroke-dasharray: 3 3; }}
svg.curve .claim {{ stroke: var(--claim); stroke-width: 1.8; }}
svg.curve .withdrawn {{ stroke: var(--alarm); stroke-width: 1.8; stroke-dasharray: 2 3; }}
svg.curve .deadline {{ stroke: var(--due); stroke-width: 1.8; stroke-dasharray: 9 3 2 3; }}
svg.curve .alarm {{ stroke: var(--alarm); stroke-width: 3; }}
svg.curve .check {{ fill: var(--paper); stroke: var(--ink); stroke-width: 1.6; }}
svg.curve .check-bar {{ stroke: var(--ink); stroke-width: 1.2; }}
svg.curve .forecast {{ stroke: var(--due); stroke-width: 1.6; }}
svg.curve .forecast-lead {{ stroke: var(--due); stroke-width: .8; stroke-dasharray: 1 3; }}
svg.curve .forecast-made {{ stroke: var(--due); stroke-width: 5; }}
@media screen and (max-width: {NARROW_PX}px) {{
  body {{ padding: .7rem; }}
  .for-wide {{ display: none; }}
  .for-narrow {{ display: block; }}
  dl.facts {{ grid-template-columns: 1fr; gap: 0; }}
  dl.identity dd.hash {{ grid-column: auto; }}
  dl.facts dd {{ margin-bottom: .45rem; }}
  .sign-here {{ grid-template-columns: 1fr; }}
}}
@media print {{
  body {{ max-width: none; padding: 0; font-size: 9pt; line-height: 1.25; }}
  h1 {{ font-size: 15pt; }}
  h2 {{ font-size: 10.5pt; margin: .55rem 0 .2rem; }}
  h3 {{ font-size: 9.5pt; margin: .5rem 0 .1rem; }}
  table, figcaption, .key {{ font-size: 8.5pt; }}
  ul, ol {{ padding-left: 1.2rem; }}
  p, ul, ol, dl {{ margin: .2rem 0; }}
  th, td {{ padding: .04rem .4rem .04rem 0; }}
  .caution {{ padding: .25rem .6rem; margin: .5rem 0; }}
  h2, h3 {{ break-after: avoid; }}
  figure, tr, .caution, .sign-here {{ break-inside: avoid; }}
  .new-sheet {{ break-before: page; }}
  thead {{ display: table-header-group; }}
  a {{ color: inherit; text-decoration: none; }}
}}
"""
