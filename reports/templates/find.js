(function(){var d=document,r=d.documentElement,n=d.getElementById("find-node"),s=d.getElementById("find-state");r.classList.add("js");
var months=(r.dataset.months||"").split(" "),point=r.dataset.point||".",under=(r.dataset.under||"").split(" "),over=(r.dataset.over||"").split(" ");
function key(t){t=t.replace(/\u00a0/g," ").trim();var m=t.match(/^(\d+)\.? ([^\d\s]+) (\d{4})/),i=m?months.indexOf(m[2]):-1;if(i>=0)return m[3]*10000+i*100+ +m[1];
m=t.match(/^([^\d\s]* )?(\u2212?\d[\d.,\u202f]*)/);if(m){var w=(m[1]||"").trim(),v=parseFloat(m[2].replace(/\u2212/,"-").split(point).map(function(p){return p.replace(/[^\d-]/g,"")}).join("."));
if(!w)return v;if(under.indexOf(w)>=0)return v-.001;if(over.indexOf(w)>=0)return v+.001}return t}
function sort(table,at,up){var b=table.tBodies[0],rows=Array.prototype.slice.call(b.rows).map(function(row,i){return{row:row,i:i,k:key(row.cells[at].textContent)}});
rows.sort(function(x,y){var a=typeof x.k,c=typeof y.k,o=a===c?(a==="number"?x.k-y.k:x.k.localeCompare(y.k,r.lang,{numeric:true})):a==="number"?-1:1;return(a===c&&!up?-o:o)||x.i-y.i});
rows.forEach(function(x){b.appendChild(x.row)})}
if(matchMedia("(min-width:641px)").matches)d.querySelectorAll("table.stack").forEach(function(table){if(table.tBodies[0].rows.length<3)return;Array.prototype.forEach.call(table.tHead.rows[0].cells,function(th,at){
var b=d.createElement("button");b.type="button";b.textContent=th.textContent;th.textContent="";th.appendChild(b);
b.addEventListener("click",function(){var up=th.getAttribute("aria-sort")!=="ascending";Array.prototype.forEach.call(table.tHead.rows[0].cells,function(o){o.removeAttribute("aria-sort")});th.setAttribute("aria-sort",up?"ascending":"descending");sort(table,at,up)})})});
if(!n)return;
function go(){var q=n.value.toLowerCase();d.querySelectorAll(".wall li").forEach(function(li){var t=li.textContent.toLowerCase();li.hidden=!(t.indexOf(q)>=0&&(!s.value||li.dataset.s===s.value))});
d.querySelectorAll(".wall-site").forEach(function(w){w.hidden=!w.querySelector("li:not([hidden])")})}
n.addEventListener("input",go);s.addEventListener("change",go)})();
