"""The stand page itself: markup, style and script in one text, with nothing from outside."""

from __future__ import annotations

from trainer.page import controls

__all__ = ["page_html"]

_STYLE = """
:root{--paper:#fdfcf8;--ink:#141312;--muted:#57534b;--line:#b9b3a6;--mark:#141312;--on:#fdfcf8}
@media (prefers-color-scheme:dark){:root{--paper:#11100f;--ink:#f4f0e6;--muted:#b8b1a3;--line:#55504a;--mark:#f4f0e6;
--on:#11100f}}
*{box-sizing:border-box;margin:0}
html,body{height:100%}
body{background:var(--paper);color:var(--ink);font:600 16px/1.15 system-ui,sans-serif;display:flex;flex-direction:column;
padding:2vmin;gap:1.5vmin;overflow:hidden}
header,footer{display:flex;justify-content:space-between;gap:1em;font-size:clamp(15px,3.8vmin,40px)}
.quiet{color:var(--muted);font-weight:500}
#warn{display:-webkit-box;-webkit-box-orient:vertical;-webkit-line-clamp:2;overflow:hidden;font-size:clamp(13px,2.6vmin,28px)}
#where,#phase{flex:none}#title{overflow:hidden;text-overflow:ellipsis;white-space:nowrap}
main{flex:1;display:flex;gap:3vmin;align-items:stretch;min-height:0;container-type:size}
.now,.next{display:flex;flex-direction:column;justify-content:center;min-width:0}
.now{flex:3}.next{flex:2;border-left:.4vmin solid var(--line);padding-left:3vmin}
.chord{font-size:clamp(40px,min(25vw,58cqh),460px);font-weight:800;letter-spacing:-.03em;line-height:1;white-space:nowrap}
.chord.mid{font-size:clamp(36px,min(18vw,54cqh),360px)}.chord.long{font-size:clamp(30px,min(11vw,42cqh),280px)}
.next .chord{font-size:clamp(28px,min(14vw,40cqh),280px)}.next .chord.mid{font-size:clamp(26px,min(10vw,34cqh),200px)}
.next .chord.long{font-size:clamp(20px,min(6.5vw,28cqh),150px)}
#tab{font:600 min(3.4vmin,calc(95vw/.61/var(--wide,60)))/1.2 ui-monospace,monospace;white-space:pre;overflow:hidden}
.task{font-size:clamp(18px,5vmin,56px);font-weight:800}
@media (max-height:500px){#tab:not([hidden])~#grid{display:none}}
.small{font-size:clamp(14px,min(5vmin,10cqh),60px)}
.beats{display:flex;gap:2vmin;margin-top:min(2vmin,3cqh)}
.beats span{width:min(7vmin,11cqh);height:min(7vmin,11cqh);border:.6vmin solid var(--ink);border-radius:50%}
.beats span.on{background:var(--ink)}
.cue{background:var(--mark);color:var(--on);font-size:clamp(22px,6.5vmin,72px);font-weight:800;padding:1vmin 2vmin}
.cue[hidden]{display:none}
.grid{display:grid;grid-template-columns:repeat(4,1fr);gap:.7vmin}
.grid div{border:.25vmin solid var(--line);padding:.6vmin 1vmin;font-size:clamp(13px,3.3vmin,38px);white-space:nowrap;
overflow:hidden}
.grid div.here{background:var(--mark);color:var(--on);border-color:var(--mark)}
.grid div.out{border-style:dashed}.grid div.many{font-size:clamp(8px,2.1vmin,24px);letter-spacing:-.02em;align-content:center}
@media (orientation:portrait){main{flex-direction:column}.next{border-left:0;border-top:.4vmin solid var(--line);
padding:1vmin 0 0}.small{font-size:clamp(14px,min(5vmin,5.5cqh),60px)}
.beats span{width:min(7vmin,8cqh);height:min(7vmin,8cqh)}main{gap:2vmin}
.chord{font-size:clamp(40px,min(50vw,36cqh),640px)}.chord.mid{font-size:clamp(36px,min(31vw,34cqh),480px)}
.chord.long{font-size:clamp(30px,min(19vw,30cqh),320px)}.next .chord{font-size:clamp(28px,min(32vw,20cqh),400px)}
.next .chord.mid{font-size:clamp(26px,min(24vw,18cqh),300px)}.next .chord.long{font-size:clamp(20px,min(16vw,16cqh),240px)}}
"""

_SCRIPT = """
"use strict";
const $=id=>document.getElementById(id);
let chart=null,place=null,trueAt=0,delays=[],wait=250,ended=false,shownBar=-2,shownBeat=-1,shownNext="";
// A place says when it was true, by the sender's clock. How far that clock stands from ours is seen best in the message
// that took least to come; those that were held up on the way then set nothing back.
function clockTo(sent){
  const now=performance.now(),delay=now-sent;
  if(delays.length&&Math.abs(delay-delays[delays.length-1][1])>1000)delays=[];
  delays.push([now,delay]);
  while(now-delays[0][0]>10000)delays.shift();
  return sent+delays.reduce((least,one)=>Math.min(least,one[1]),Infinity);
}
function connect(){
  socket=new WebSocket((location.protocol==="https:"?"wss:":"ws:")+"//"+location.host+"/live"+location.search);
  socket.onopen=()=>{wait=250;ended=false;delays=[];$("link").textContent="";handsShown="";hands();};
  socket.onmessage=event=>{
    const m=JSON.parse(event.data);
    if("desk" in m)newDesk(m.desk);
    if(m.chart){chart=m.chart;place=null;shownBar=-2;$("title").textContent=chart.title||"";}
    if(m.place){place=m.place;trueAt=clockTo(place.at);hands();band(false);}
  };
  socket.onclose=event=>{
    if(event.code===1001){  // it went as it should (RFC 6455): a goodbye; nobody waits for what may not come
      ended=true;wait=4000;choosing=false;newDesk({mode:"over",hands:[],title:"Until next time",said:"The program has ended."});}
    $("link").textContent=ended?"":"not connected, trying again";handsShown="";hands();
    setTimeout(connect,wait);wait=Math.min(wait*2,4000);
  };
}
function beatsNow(){
  if(place.phase!=="playing"&&place.phase!=="count_in")return place.beats;
  const b=place.beats+Math.min(performance.now()-trueAt+8,500)/60000*place.bpm;  // what is drawn now is seen half a frame on
  return place.phase==="count_in"&&b>=chart.first?b+chart.bars[Math.min(place.to||0,chart.bars.length-1)].on-chart.first:b;
}
function barAt(b){let i=0;while(i+1<chart.bars.length&&chart.bars[i+1].on<=b)i++;return i;}
function put(id,text){const node=$(id);if(node.textContent!==text){node.textContent=text;
  node.classList.toggle("mid",text.length===3||text.length===4);node.classList.toggle("long",text.length>4);}}
function sign(name){return name.replace(/^([A-G])b/,"$1\u266d");}
function chordAt(bar,b){const n=bar.chords.length;return Math.max(0,Math.min(n-1,Math.floor((b-bar.on)/4*n)));}
function draw(){
  requestAnimationFrame(draw);
  if(!chart||!chart.bars||!place||desk)return;
  const b=beatsNow(),counting=b<chart.first,i=counting?Math.min(place.to||0,chart.bars.length-1):barAt(b),bar=chart.bars[i],k=counting?0:chordAt(bar,b);
  const name=bar.chords[k];
  if(counting){put("now",String(Math.floor(((b%4)+4)%4)+1));put("degree","count-in");}
  else{put("now",sign(name));put("degree",bar.degrees[k].replace(/^b/,"\u266d"));}
  let next=null,far=0;
  if(counting){next={name,degree:bar.degrees[0]};far=Math.ceil((chart.first-b)/4);}
  else{
    outer:for(let j=i;j<chart.bars.length;j++){const other=chart.bars[j];
      for(let q=(j===i?k+1:0);q<other.chords.length;q++)if(other.chords[q]!==name){next={name:other.chords[q],degree:other.degrees[q]};
        far=j-i;break outer;}}
  }
  put("next",next?sign(next.name):"end");
  const when=!next?"":far===0?"in this bar":far===1?"next bar":"in "+far+" bars";
  if(when!==shownNext){shownNext=when;$("when").textContent=(next?next.degree+" · ":"")+when;}
  const beat=counting?Math.floor(((b%4)+4)%4):Math.floor(b-bar.on);
  if(beat!==shownBeat){shownBeat=beat;[...$("beats").children].forEach((node,n)=>node.classList.toggle("on",n===beat));}
  if(i!==shownBar||document.body.dataset.phase!==place.phase){
    shownBar=i;document.body.dataset.phase=place.phase;document.body.dataset.bar=counting?"":bar.chorus+"."+bar.bar;
    const chorus=bar.chorus||1,cells=chart.bars.filter(o=>(o.chorus||1)===chorus);
    $("grid").replaceChildren(...cells.map(o=>{const cell=document.createElement("div");
      cell.textContent=o.bar+"  "+o.chords.map(sign).join(" ");
      cell.style.gridColumn=(o.bar-1)%4+1;  // an intro or a loop stands where it stands in the form
      if(!counting&&o.on===bar.on){cell.className="here";cell.setAttribute("aria-current","true");}
      if(o.out)cell.classList.add("out");return cell;}));
    const wide=[...$("grid").children].filter(cell=>cell.scrollWidth>cell.clientWidth);
    for(const cell of wide)cell.classList.add("many");
    $("where").textContent=(bar.chorus?chart.round+" "+bar.chorus+(chart.choruses?" of "+chart.choruses:"")+" · ":"")+bar.role+
      (bar.role.endsWith("solo")?" · height "+Math.round(bar.intensity*100)/100:"");
    const tab=bar.heard&&!counting?chart.tab[String(bar.idx)]:null;
    $("tab").hidden=!tab;$("tab").textContent=tab?tab.join("\\n"):"";
    if(tab)$("tab").style.setProperty("--wide",Math.max(...tab.map(line=>line.length)));
    $("phase").textContent=place.phase==="paused"?"paused":place.phase==="ended"?"the end":"";
  }
  const c=place.cue||"";if($("cue").textContent!==c){$("cue").textContent=c;$("cue").hidden=!c;}
  const task=place.task||"";if($("task").textContent!==task)$("task").textContent=task;$("task").hidden=!task;
  const told=place.note||"";if($("said").textContent!==told)$("said").textContent=told;
  const w=(place.warnings||[]).join(" · ");if($("warn").textContent!==w)$("warn").textContent=w;
}
"""

_BEGIN = "connect();requestAnimationFrame(draw);"

_BODY = """
<header><span id="where" role="status">waiting for the band</span><span id="title" class="quiet"></span></header>
<main>
<section class="now" aria-label="chord now"><div id="now" class="chord">–</div><div id="degree" class="small"></div>
<div id="beats" class="beats" aria-hidden="true"><span></span><span></span><span></span><span></span></div></section>
<section class="next" aria-label="next chord"><div class="small quiet">next</div><div id="next" class="chord">–</div>
<div id="when" class="small"></div></section>
</main>
<p id="cue" class="cue" role="status" hidden></p>
<p id="task" class="task" role="status" hidden></p>
<pre id="tab" aria-label="tablature of the model line" hidden></pre>
<div id="grid" class="grid" role="group" aria-label="the form, bar by bar"></div>
<footer><span id="phase"></span><span id="said" role="status"></span><span id="warn" class="quiet"></span><span id="link" role="status"></span></footer>
"""


def page_html(nonce: str) -> str:
    """The page; `nonce` lets its own style and script run under a policy that lets nothing else."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1"><title>Stand page</title>'
        f'<link rel="icon" href="data:,"><style nonce="{nonce}">{_STYLE}{controls.STYLE}</style></head>'
        f'<body>{_BODY}{controls.BODY}<script nonce="{nonce}">{_SCRIPT}'
        f"{controls.LIMITS}{controls.SCRIPT}{_BEGIN}</script></body></html>\n"
    )
