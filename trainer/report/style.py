"""How the report looks: one style sheet for the screen, light and dark, a phone, and paper."""

from __future__ import annotations

__all__ = ["STYLE"]

STYLE = """
:root{--ink:#1c1b19;--muted:#5f5b54;--faint:#d9d4c9;--mark:#1f5f6b;--second:#8a4b12;--paper:#fbf9f4;--card:#f3efe6;
--edge:#b9b2a4}
@media (prefers-color-scheme:dark){:root{--ink:#ece8df;--muted:#b3ada1;--faint:#45413a;--mark:#7cc4d0;--second:#e3a566;
--paper:#191815;--card:#22201c;--edge:#6f695e}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:58rem;padding:1.2rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif;overflow-wrap:anywhere}
h1{font-size:1.7rem;line-height:1.2;margin:.2rem 0}
h2{font-size:1.2rem;margin:2rem 0 .4rem;border-bottom:2px solid var(--faint)}
h3{font-size:1rem;margin:1rem 0 .2rem}
p{margin:.4rem 0}.quiet{color:var(--muted)}
.lines{list-style:none;padding:0;margin:.6rem 0}
.lines li{background:var(--card);border-left:.35rem solid var(--mark);padding:.6rem .8rem;margin:.4rem 0}
.met::before,.unmet::before,.open::before{font-weight:700;margin-right:.4rem}
.met::before{content:"✓"}.unmet::before{content:"△"}.open::before{content:"–"}
.wide{overflow-x:auto}
.wide[tabindex]{background:linear-gradient(90deg,var(--paper) 40%,transparent) -2px -1px/2.4rem 102% no-repeat local,
linear-gradient(270deg,var(--paper) 40%,transparent) calc(100% + 2px) -1px/2.4rem 102% no-repeat local,
linear-gradient(90deg,var(--edge),transparent) 0 0/.9rem 100% no-repeat scroll,
linear-gradient(270deg,var(--edge),transparent) 100% 0/.9rem 100% no-repeat scroll}
.wide th[scope=row]{position:sticky;left:0;background:var(--paper)}
figure{margin:.6rem 0}.wide>svg{min-width:34rem}svg{width:100%;height:auto;display:block}
.pair{width:10.5rem}.ring{fill:none;stroke:var(--second);stroke-width:2}td.now{background:var(--faint)}
.step{display:flex;gap:.8rem;align-items:center;min-height:1.8rem}
.step label{flex:0 1 18rem}.step input{width:100%;accent-color:var(--mark);height:1.6rem;margin:0}
.step span{flex:1 1 0;color:var(--muted);font-variant-numeric:tabular-nums}
table{border-collapse:collapse;margin:.5rem 0;font-variant-numeric:tabular-nums}
th,td{padding:.22rem .55rem;text-align:left;border-bottom:1px solid var(--faint);vertical-align:top;
overflow-wrap:normal}
th{font-weight:600}td .quiet,.num,.whole{white-space:nowrap}th.num{white-space:normal;vertical-align:bottom}
th.num,td.num{text-align:right}thead th{vertical-align:bottom}
.grid td,.grid th{text-align:center;min-width:2.1rem;padding:.22rem .2rem;white-space:nowrap}
.grid caption{text-align:left}.grid .degrees th{font-weight:400;color:var(--muted)}
.grid td.miss{outline:2px solid var(--ink);outline-offset:-3px}
a{color:var(--mark)}
a:focus,summary:focus,input:focus,[tabindex]:focus{outline:3px solid var(--second);outline-offset:2px}
details{margin:.5rem 0}.figures details{display:none}
@media (max-width:44rem){body{padding:.9rem}td.num{white-space:normal}.num .quiet{display:block}
th,td{padding:.22rem .35rem}ol{padding-left:1.2rem}.step{flex-wrap:wrap;gap:0 .8rem}.step label{flex:1 0 100%}
.step span{flex:1 0 100%;min-height:3em}
.figures thead{display:none}.figures tr{display:block;padding:.35rem 0;border-bottom:1px solid var(--faint)}
.figures th,.figures td,.figures td.num{display:block;text-align:left;border:0;padding:.1rem 0}
.figures .quiet{display:inline-block}.figures td>span:not(.quiet){display:none}
.figures details{display:block;margin:0}.figures summary{padding:.35rem 0;color:var(--mark)}}
@media print{:root{--ink:#000;--muted:#444;--faint:#ccc;--mark:#134a54;--second:#6d3a0c;--paper:#fff;--card:#fff}
body{font-size:9pt;line-height:1.4;max-width:none;padding:0}h2{margin-top:1rem}h1,h2,h3{break-after:avoid}
figure,tr,.lines li,.wide{break-inside:avoid}td.num{white-space:normal}.num .quiet{display:inline-block}
.wide>svg{min-width:0;width:88%}p{orphans:3;widows:3}details,.screen,.step,.ring{display:none}.wide,.wide[tabindex]{overflow:visible;background:none}
a{color:inherit}}
@page{size:A4;margin:14mm}
"""
