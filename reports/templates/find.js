(function(){var d=document,n=d.getElementById("find-node"),s=d.getElementById("find-state");d.documentElement.classList.add("js");if(!n)return;
function go(){var q=n.value.toLowerCase();d.querySelectorAll(".wall li").forEach(function(li){var t=li.textContent.toLowerCase();li.hidden=!(t.indexOf(q)>=0&&(!s.value||li.dataset.s===s.value))});
d.querySelectorAll(".wall-site").forEach(function(w){w.hidden=!w.querySelector("li:not([hidden])")})}
n.addEventListener("input",go);s.addEventListener("change",go)})();
