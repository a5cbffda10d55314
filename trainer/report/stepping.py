"""The one script of the report: its points can be gone through with a slider, by keys or finger, not only hovered.

Each picture and the landing grid get one slider beneath: one stop of the Tab key, arrow keys from point to point, a
finger along it. The point is ringed and its bar and note are written beside. A tap on the picture finds the nearest.
Without the script the page loses nothing but this. The page's policy lets exactly this text run.
"""

from __future__ import annotations

import base64
import hashlib

__all__ = ["SCRIPT", "SCRIPT_POLICY"]

SCRIPT = """
"use strict";
const within=48;
for(const box of document.querySelectorAll("[data-steps]")){
  const svg=box.querySelector("svg"),wide=box.querySelector(".wide");
  const told=mark=>svg?mark.querySelector("title").textContent:mark.title;
  const middle=mark=>{const r=mark.getBoundingClientRect();return[r.left+r.width/2,r.top+r.height/2];};
  let marks=svg?[...svg.querySelectorAll("title")].map(node=>node.parentNode):[...box.querySelectorAll("td[title]")];
  if(!marks.length)continue;
  if(svg)marks=marks.map(mark=>[middle(mark)[0],mark]).sort((a,b)=>a[0]-b[0]).map(pair=>pair[1]);
  const line=document.createElement("p"),slider=document.createElement("input"),words=document.createElement("span");
  const name=document.createElement("label"),ring=document.createElementNS("http://www.w3.org/2000/svg","rect");
  let now=null;
  line.className="step";ring.setAttribute("class","ring");
  Object.assign(slider,{type:"range",min:0,max:marks.length,value:0});
  const hint=box.dataset.steps+": slide, tap, or use the arrow keys";
  words.textContent=hint;words.setAttribute("aria-hidden","true");
  slider.setAttribute("aria-label",box.dataset.steps);slider.setAttribute("aria-valuetext","none chosen");
  name.append(slider);line.append(name,words);wide.after(line);
  const show=i=>{
    if(now)now.classList.remove("now");
    now=i?marks[i-1]:null;slider.value=i;
    words.textContent=now?told(now):hint;slider.setAttribute("aria-valuetext",now?told(now):"none chosen");
    if(!svg){if(now){now.classList.add("now");now.scrollIntoView({block:"nearest",inline:"nearest"});}return;}
    ring.remove();
    if(!now)return;
    const r=now.getBoundingClientRect(),to=svg.getScreenCTM().inverse();
    const a=new DOMPoint(r.left,r.top).matrixTransform(to),b=new DOMPoint(r.right,r.bottom).matrixTransform(to);
    const put={x:a.x-4,y:a.y-4,width:b.x-a.x+8,height:b.y-a.y+8,rx:4};
    for(const[key,value]of Object.entries(put))ring.setAttribute(key,value);
    svg.append(ring);
    const edge=wide.getBoundingClientRect();
    if(r.left<edge.left+24||r.right>edge.right-24)wide.scrollLeft+=r.left+r.width/2-edge.left-edge.width/2;
  };
  slider.addEventListener("input",()=>show(+slider.value));
  box.addEventListener("click",event=>{
    if(line.contains(event.target))return;
    let best=0,least=within;
    marks.forEach((mark,i)=>{
      const r=mark.getBoundingClientRect(),x=Math.max(r.left-event.clientX,0,event.clientX-r.right);
      const away=Math.hypot(x,Math.max(r.top-event.clientY,0,event.clientY-r.bottom));
      if(away<least){least=away;best=i+1;}
    });
    show(best);
  });
}
// What does not scroll needs no stop of the Tab key.
const stops=()=>{for(const box of document.querySelectorAll(".wide"))
  if(box.scrollWidth>box.clientWidth+1)box.tabIndex=0;else box.removeAttribute("tabindex");};
stops();addEventListener("resize",stops);
for(const details of document.querySelectorAll("details"))details.addEventListener("toggle",stops);
"""

SCRIPT_POLICY = f"'sha256-{base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()}'"
