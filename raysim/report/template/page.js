// A link to something inside a closed part opens it; printing opens all of them.
"use strict";
(function () {
  function reveal() {
    var target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
    for (var e = target; e; e = e.parentElement) {
      if (e.tagName === "DETAILS") { e.open = true; }
    }
    if (target) { target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", reveal);
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (d) { d.open = true; });
  });
  reveal();
})();
