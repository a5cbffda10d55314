"""The stand page's buttons: large enough for a knuckle, reachable by keyboard, named for a screen reader.

While a song plays they stop, pause, repeat, go on, change the next tempo, mark a bar, and set the band's parts; between
two songs they show the four lines of the verdict, choose the next song, its key and tempo, and open the report;
what can be asked for between two runs of an evening comes with what stands there. Stopping asks once more, and not
under the finger that asked; the answer takes no tap for a moment, so that a bounce is no answer.
"""

from __future__ import annotations

from trainer.limits import TEMPO_BPM

__all__ = ["BODY", "LIMITS", "SCRIPT", "STYLE"]

STYLE = """
button{font:inherit;color:inherit;background:var(--paper);border:.25vmin solid var(--ink);border-radius:1.2vmin;
min-height:max(64px,8vmin);min-width:64px;padding:.6vmin 1vmin;touch-action:manipulation;cursor:pointer;
-webkit-user-select:none;user-select:none}
button:focus-visible{outline:.6vmin solid var(--ink);outline-offset:.4vmin}
button:active,button[aria-pressed=true]{background:var(--mark);color:var(--on)}
button:disabled{color:var(--muted);border-color:var(--line);cursor:default}
button.sent{background:var(--mark);color:var(--on)}
#hands{display:grid;grid-template-columns:repeat(4,1fr);gap:8px;font-size:clamp(14px,2.6vmin,26px)}
#hands [hidden]{display:none}
[data-mode=breath] #hands{grid-template-columns:repeat(3,1fr)}
@media (min-width:700px) and (orientation:landscape){#hands{grid-template-columns:repeat(8,1fr)}
[data-mode=breath] #hands{grid-template-columns:repeat(9,1fr)}}
#desk,#band,#confirm,#paper{background:var(--paper)}
#desk{flex:1;min-height:0;overflow:auto;display:flex;flex-direction:column;gap:1.5vmin;font-size:clamp(16px,2.6vmin,28px)}
#desk h1{font-size:clamp(20px,4vmin,44px)}#desk ol,#desk ul{padding-left:1.2em;font-weight:500;display:grid;gap:1vmin}
[data-mode=breath] #title{visibility:hidden}
[data-mode=breath] #desk{font-size:clamp(18px,3.8vmin,44px)}
[data-mode=breath] #desk h1{font-size:clamp(24px,5.4vmin,64px)}
[data-mode=breath] #desk ol{order:-1;list-style:none;padding:0 0 1.5vmin;border-bottom:.4vmin solid var(--line)}
[data-mode=breath] #desk ol:empty{display:none}
#desk h2{font-size:1em;font-weight:500;color:var(--muted)}
.pick{display:grid;grid-template-columns:repeat(auto-fill,minmax(min(240px,46%),1fr));gap:8px}
.pick.keys{grid-template-columns:repeat(auto-fill,minmax(64px,1fr))}
.pick button{text-align:left;padding:.6vmin 12px}.pick.keys button{text-align:center}
.pick small{display:block;font-weight:500;font-size:.8em}
#band{position:fixed;inset:auto 0 0 0;padding:2vmin;border-top:.4vmin solid var(--ink);display:grid;gap:8px;
grid-template-columns:minmax(4.5em,1fr) repeat(3,minmax(64px,1fr));align-items:center;max-height:92vh;overflow:auto;
  z-index:2;
font-size:clamp(15px,2.6vmin,26px)}
#band .wide{grid-column:1/-1}
#confirm{position:fixed;inset:0;z-index:3;display:flex;flex-direction:column;justify-content:space-between;padding:6vmin;
font-size:clamp(22px,5vmin,56px)}
#confirm button{min-height:22vmin;width:100%}
#paper{position:fixed;inset:0;z-index:4;display:flex;flex-direction:column;gap:1vmin;padding:1vmin}
#paper iframe{flex:1;border:0;background:#fff}
#desk[hidden],#band[hidden],#confirm[hidden],#paper[hidden],main[hidden],#grid[hidden],#tab[hidden],#task[hidden]{display:none}
"""

BODY = """
<section id="desk" aria-label="between two songs" hidden><h1 id="desk-title"></h1><p id="desk-said" role="status"></p>
<ol id="desk-lines"></ol><ul id="desk-advice"></ul>
<div id="chooser" hidden><h2>Song</h2><div id="songs" class="pick" role="group" aria-label="song"></div>
<h2>Key</h2><div id="keys" class="pick keys" role="group" aria-label="key"></div></div></section>
<nav id="hands" aria-label="controls"></nav>
<section id="band" aria-label="parts of the band" hidden></section>
<div id="confirm" role="alertdialog" aria-modal="true" aria-labelledby="ask" hidden>
<button id="yes" disabled></button><p id="ask"></p><button id="no"></button></div>
<div id="paper" role="dialog" aria-label="report" hidden><button id="shut">Back to the stand</button></div>
"""

LIMITS = f"const SLOWEST={TEMPO_BPM[0]:g},FASTEST={TEMPO_BPM[1]:g};"
SCRIPT = """
// Which buttons there are: while a song plays, after one, and while one is chosen.
const HANDS={
  play:[["stop","Stop"],["pause","Pause"],["again","Again"],["next","Next"],["slower","Slower"],["faster","Faster"],
    ["mark","That one"],["band","Band"]],
  after:[["again","Again"],["next","Next"],["slower","Slower"],["faster","Faster"],["choose","Songs"],["report","Report"],
    ["leave","Finish"]],
  choose:[["start","Start"],["slower","Slower"],["faster","Faster"],["back","Back"],["leave","Finish"]]};
let socket=null,desk=null,deskAt=0,choosing=false,choice={song:"",key:"",bpm:0},handsShown="",bandShown="";
function press(what){
  if(!socket||socket.readyState!==1)return false;
  socket.send(JSON.stringify(what));return true;
}
function mode(){return !desk?"play":choosing||desk.mode==="choose"?"choose":desk.mode;}
// Until the next one begins by itself, in whole seconds; 0: it waits.
function left(){
  return desk&&desk.starts_in_s?Math.max(1,Math.ceil(desk.starts_in_s-(performance.now()-deskAt)/1000)):0;}
function label(what,words){
  const bpm=desk?(mode()==="choose"?choice.bpm:desk.bpm):place&&(place.next_bpm||place.bpm);
  if(what==="pause"&&place&&place.phase==="paused")return "Go on";
  if(what==="next"&&desk&&desk.next)return desk.next;
  if(what==="back"&&desk&&desk.mode==="choose")return "";
  if(mode()==="breath")return what==="start"&&left()?words+" \\u00b7 "+left()+" s":words;
  if((what==="again"||what==="start")&&bpm)return words+" \\u00b7 "+Math.round(bpm);
  if(what==="next"&&desk&&!desk.next)return "";
  if(what==="report"&&desk&&!desk.report&&mode()!=="breath")return "";
  return words;
}
function hands(){
  const rows=(HANDS[mode()]||desk.hands).map(([what,words])=>[what,label(what,words)]).filter(row=>row[1]);
  const off=!socket||socket.readyState!==1;
  const now=mode()+JSON.stringify(rows)+off+(desk&&!desk.report)+left();
  if(now===handsShown)return;
  handsShown=now;
  // A button that stays is left alone: a finger may be on it.
  const bar=$("hands");
  rows.forEach(([what,words],i)=>{
    let node=bar.children[i];
    if(!node||node.dataset.do!==what){
      while(bar.children[i]&&!rows.slice(i).some(row=>row[0]===bar.children[i].dataset.do))bar.children[i].remove();
      node=bar.children[i];
    }
    if(!node||node.dataset.do!==what){
      const later=[...bar.children].find(one=>one.dataset.do===what);
      if(later)later.remove();
      node=document.createElement("button");node.dataset.do=what;
      node.addEventListener("click",()=>pressed(what,node));bar.insertBefore(node,bar.children[i]||null);
    }
    if(node.textContent!==words)node.textContent=words;
    node.disabled=off||what==="report"&&!desk.report||what==="hold"&&!left();
  });
  while(bar.children.length>rows.length)bar.lastChild.remove();
}
function flash(node){node.classList.add("sent");setTimeout(()=>node.classList.remove("sent"),250);}
function pressed(what,node){
  if(what==="band"){$("band").hidden=false;band(true);$("band").querySelector("button").focus();return;}
  if(what==="stop"){ask("Stop the song?","Stop it","Play on",()=>press({do:"stop"}));return;}
  if(what==="leave"){ask("Finish for today?","Finish","Stay",()=>press({do:"leave"}));return;}
  if(what==="choose"){choosing=true;choose();return;}
  if(what==="back"){choosing=false;drawDesk();return;}
  if(what==="report"){if(mode()==="breath")press({do:"hold"});report();return;}
  if(what==="start"&&mode()!=="breath"){if(press({do:"start",choice})){flash(node);choosing=false;}return;}
  if(mode()==="choose"){choice.bpm=Math.min(FASTEST,Math.max(SLOWEST,choice.bpm+(what==="faster"?2:-2)));hands();flash(node);return;}
  if(press({do:what}))flash(node);
}
// The answer lies at the other end of the page from where was asked, and takes no tap for a moment.
function ask(words,yes,no,then){
  const back=document.activeElement;
  $("ask").textContent=words;$("yes").textContent=yes;$("no").textContent=no;$("yes").disabled=true;$("confirm").hidden=false;
  $("no").focus();
  const close=()=>{clearTimeout(ready);clearTimeout(late);$("confirm").hidden=true;document.onkeydown=null;
    if(back)back.focus();};
  const ready=setTimeout(()=>{$("yes").disabled=false;},400),late=setTimeout(close,8000);
  $("yes").onclick=()=>{close();then();};$("no").onclick=close;
  document.onkeydown=event=>{if(event.key==="Escape")close();
    if(event.key==="Tab"){event.preventDefault();(document.activeElement===$("no")&&!$("yes").disabled?$("yes"):$("no")).focus();}};
}
function report(){
  const frame=document.createElement("iframe");frame.title="report";frame.src="/report"+location.search;
  $("paper").append(frame);$("paper").hidden=false;$("shut").focus();
  $("shut").onclick=()=>{$("paper").hidden=true;frame.remove();};
}
function band(fresh){
  if($("band").hidden||!place||!place.parts)return;
  const now=JSON.stringify(place.parts);
  if(fresh||bandShown.length===0||place.parts.length*4+1!==$("band").children.length){
    const nodes=[];
    for(const [name] of place.parts){
      const words=document.createElement("span");words.dataset.part=name;nodes.push(words);
      for(const [what,sign,says] of [["down","\\u2212",name+" softer"],["up","+",name+" louder"],["mute","mute",
        name+" mute"]]){
        const node=document.createElement("button");node.textContent=sign;node.setAttribute("aria-label",says);
        node.dataset.what=what;node.dataset.part=name;
        node.addEventListener("click",()=>{
          const part=place.parts.find(row=>row[0]===name);if(!part)return;
          const sent=what==="mute"?press({do:"mute",part:name,value:part[2]?0:1})
            :press({do:"volume",part:name,value:Math.min(1,Math.max(0,Math.round(part[1]*10+(what==="up"?1:-1))/10))});
          if(sent)flash(node);});
        nodes.push(node);
      }
    }
    const shut=document.createElement("button");shut.textContent="Back to the song";shut.className="wide";
    shut.addEventListener("click",()=>{$("band").hidden=true;const own=document.querySelector("[data-do=band]");
      if(own)own.focus();});
    $("band").replaceChildren(...nodes,shut);bandShown="";
  }
  if(now!==bandShown){
    bandShown=now;
    for(const [name,level,muted] of place.parts){
      const words=$("band").querySelector("span[data-part="+name+"]");
      if(words)words.textContent=name+" "+(muted?"mute":Math.round(100*level));
      const mute=$("band").querySelector("button[data-what=mute][data-part="+name+"]");
      if(mute)mute.setAttribute("aria-pressed",String(muted));
    }
  }
}
function items(id,texts){$(id).replaceChildren(...(texts||[]).map(text=>{const node=document.createElement("li");
  node.textContent=text;return node;}));}
function picks(id,rows,chosen,take){
  $(id).replaceChildren(...rows.map(([name,words,small])=>{const node=document.createElement("button");
    node.textContent=words;node.setAttribute("aria-pressed",String(name===chosen));node.dataset.name=name;
    if(small){const under=document.createElement("small");under.textContent=small;node.append(under);}
    node.addEventListener("click",()=>{take(name);const again=[...$(id).children].find(n=>n.dataset.name===name);
      if(again)again.focus();});return node;}));
}
function choose(){
  $("chooser").hidden=false;$("desk-lines").hidden=$("desk-advice").hidden=true;
    $("desk-title").textContent="What next?";
  const songs=desk.songs||[];
  const show=()=>{picks("songs",songs.map(row=>[row.name,row.title,row.words]),choice.song,name=>{
      const row=songs.find(one=>one.name===name);choice={song:name,key:row.key,bpm:row.bpm};show();});
    picks("keys",desk.keys.filter(key=>key.endsWith("m")===choice.key.endsWith("m")).map(key=>[key,sign(key)]),choice.key,
      key=>{choice.key=key;show();});
    hands();};
  show();
}
function drawDesk(){
  document.body.dataset.mode=mode();
  $("desk").hidden=!desk;
  document.querySelector("main").hidden=$("grid").hidden=!!desk;
  if(!desk){handsShown="";hands();return;}
  $("where").textContent="";$("phase").textContent="";$("cue").hidden=$("task").hidden=true;
  $("desk-said").textContent=desk.said||"";
  if(mode()==="choose"){choose();return;}
  $("chooser").hidden=true;$("desk-lines").hidden=$("desk-advice").hidden=false;
  $("desk-title").textContent=desk.title||"";items("desk-lines",desk.lines);items("desk-advice",desk.advice);
  hands();
}
setInterval(()=>{if(left())hands();},250);
function newDesk(next){
  const before=desk,was=mode();desk=next;deskAt=performance.now();choosing=choosing&&!!next&&!!before;
  if(next&&(!before||next.song!==before.song||next.key!==before.key||!choosing))
    choice={song:next.song||"",key:next.key||"",bpm:next.bpm||0};
  // What was asked, or set, belonged to what was there before.
  if(mode()!==was){$("band").hidden=true;if(!$("confirm").hidden)$("no").click();}
  shownBar=-2;drawDesk();
}
"""
