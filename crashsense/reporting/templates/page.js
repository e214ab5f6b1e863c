(function () {
  "use strict";
  var holder = document.getElementById("what-if-data");
  var box = document.getElementById("what-if");
  if (!holder || !box) { return; }
  var rows = JSON.parse(holder.textContent);
  if (!rows.length) { return; }
  box.hidden = false;
  var slider = box.querySelector("input");
  var shown = box.querySelector("output");
  var body = box.querySelector("tbody");
  var list = box.querySelector("ul");
  function fireTime(row, k) {
    for (var i = 0; i < row.f.length; i += 1) {
      if (k <= row.f[i][0] + 1e-9) { return row.f[i][1]; }
    }
    return null;
  }
  function verdict(row, k) {
    var t = fireTime(row, k);
    if (row.x === "no_fire") { return t === null ? "held" : "inadvertent"; }
    if (t === null) { return "missed"; }
    if (t < row.b) { return "early"; }
    return t <= row.q + 0.006 ? "on time" : "late";
  }
  var sets = {};
  rows.forEach(function (row) { sets[row.s] = true; });
  var several = Object.keys(sets).length > 1;
  function name(row) { return several ? row.a + " / " + row.s : row.a; }
  function met(word) { return word === "on time" || word === "held"; }
  function cell(tr, words, number) {
    var td = document.createElement("td");
    td.textContent = words;
    if (number) { td.className = "n"; }
    tr.appendChild(td);
  }
  function update() {
    var k = Number(slider.value);
    shown.textContent = k.toFixed(2);
    var totals = {}, order = [], changes = [];
    rows.forEach(function (row) {
      var key = row.a + " / " + row.s;
      if (!totals[key]) {
        totals[key] = {"on time": 0, late: 0, missed: 0, early: 0, held: 0, inadvertent: 0, met: 0};
        order.push(key);
      }
      var word = verdict(row, k), before = verdict(row, 1);
      totals[key][word] += 1;
      if (met(word)) { totals[key].met += 1; }
      if (word !== before) {
        var t = fireTime(row, k);
        changes.push([met(word) ? 1 : 0, name(row) + ": " + row.e + ", " + row.r + ": " + before +
          " \u2192 " + word + (row.x === "fire" && t !== null ? " (" + t.toFixed(1) +
          " ms, required " + row.q.toFixed(1) + " ms)" : "")]);
      }
    });
    body.textContent = "";
    order.forEach(function (key) {
      var tr = document.createElement("tr"), c = totals[key];
      cell(tr, key, false);
      [c.met, c["on time"], c.late, c.missed, c.early, c.held, c.inadvertent].forEach(
        function (n) { cell(tr, String(n), true); });
      body.appendChild(tr);
    });
    list.textContent = "";
    changes.sort(function (a, b) { return a[0] - b[0]; });
    changes.slice(0, 12).forEach(function (c) {
      var li = document.createElement("li");
      li.textContent = c[1];
      list.appendChild(li);
    });
    if (changes.length > 12) {
      var more = document.createElement("li");
      more.textContent = "and " + (changes.length - 12) + " more";
      list.appendChild(more);
    }
    if (!changes.length) {
      var none = document.createElement("li");
      none.textContent = "Nothing changes against scale 1.00.";
      list.appendChild(none);
    }
  }
  slider.addEventListener("input", update);
  update();
  function openTarget() {
    var target = location.hash && document.getElementById(location.hash.slice(1));
    if (target && target.tagName === "DETAILS") { target.open = true; target.scrollIntoView(); }
  }
  window.addEventListener("hashchange", openTarget);
  openTarget();
}());
