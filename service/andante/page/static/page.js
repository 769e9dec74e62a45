// Ours. Keeps the page live, and says so when it is not. Everything else works without it.
(function () {
  "use strict";
  var body = document.body;
  document.querySelectorAll("[data-print]").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () { window.print(); });
  });
  document.querySelectorAll("form.choose select").forEach(function (select) {
    select.addEventListener("change", function () { select.form.requestSubmit(); });
  });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details").forEach(function (one) { one.open = true; });
  });
  if (!body.dataset.live) { return; }
  var QUIET_MS = 40000;  // more than twice as long as the service ever stays silent
  var stale = document.getElementById("stale");
  var last = document.getElementById("last");
  var heard = performance.now();
  function show(isStale) { if (stale.hidden === isStale) { stale.hidden = !isStale; } }
  var source = new EventSource(body.dataset.base + "/live");
  source.addEventListener("here", function (event) {
    heard = performance.now();
    last.textContent = event.data;
    document.getElementById("heard").textContent = "Service heard at " + event.data + ".";
    show(false);
  });
  source.addEventListener("changed", function () {
    body.dispatchEvent(new CustomEvent("andante:changed"));
  });
  source.addEventListener("error", function () {
    // The browser tries again by itself; what cannot be reached within a moment is said to be stale.
    window.setTimeout(function () { if (source.readyState !== EventSource.OPEN) { show(true); } }, 5000);
  });
  window.setInterval(function () { if (performance.now() - heard > QUIET_MS) { show(true); } }, 2000);
})();
