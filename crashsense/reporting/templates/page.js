(function () {
  "use strict";
  var holder = document.getElementById("what-if-data");
  var data = JSON.parse(holder.textContent);
  data.rows.forEach(function (row) {
    ["e", "r", "a", "s", "x"].forEach(function (key) { row[key] = data.names[row[key]]; });
    // Steps come as differences in hundredths: scale, time, scale, time ...
    var last = [0, 0];
    row.f = row.f.map(function (by, i) { last[i % 2] += by; return last[i % 2] / 100; });
  });
  var WORDS = {on_time: "on time", late: "late", missed: "missed", early: "early", held: "held",
    inadvertent: "inadvertent"};
  var MARKS = {on_time: "\u25cf", late: "\u25b2", missed: "\u2715", early: "\u25c0", held: "\u25cb",
    inadvertent: "\u25c6"};

  // -- what if: the same arithmetic as reporting/what_if.py ---------------------------------------
  function fireTime(row, k) {
    for (var i = 0; i < row.f.length; i += 2) {
      if (k <= row.f[i] + 1e-9) { return row.f[i + 1]; }
    }
    return null;
  }
  function flightTime(flight, travel) {
    var at = 1;
    while (at < flight.m.length - 1 && flight.m[at] < travel) { at += 1; }
    var slope = (flight.t[at] - flight.t[at - 1]) / (flight.m[at] - flight.m[at - 1]);
    return flight.t[at - 1] + slope * (travel - flight.m[at - 1]);
  }
  function required(row, travel, inflation) {
    var flight = data.flights[row.e];
    if (!row.w || !flight) { return row.q; }
    // Nothing is moved by sliders at rest, whatever a recipe agreed on.
    var by = travel === null ? flight.d : travel, fill = inflation === null ? flight.i : inflation;
    return row.q + flightTime(flight, by) - flightTime(flight, flight.d) - (fill - flight.i);
  }
  function verdict(row, k, due) {
    var t = fireTime(row, k);
    if (row.x === "no_fire") { return t === null ? "held" : "inadvertent"; }
    if (t === null) { return "missed"; }
    if (t < (row.b || 0)) { return "early"; }
    return t <= due + 0.006 ? "on_time" : "late";
  }
  window.crashsense = {data: data, fireTime: fireTime, required: required, verdict: verdict};

  function words(row, word, t, due) {
    if (t === null || row.x === "no_fire") { return WORDS[word]; }
    if (word === "late") { return "late by " + (t - due).toFixed(1) + " ms"; }
    return word === "on_time" ? "on time, " + (due - t).toFixed(1) + " ms slack" : WORDS[word];
  }
  function pair(section) {
    var name = section.getAttribute("data-pair");
    var own = data.rows.filter(function (row) { return row.a + "|" + row.s === name; });
    var box = section.querySelector(".sliders");
    if (!box || !own.length) { return; }
    box.hidden = false;
    var k = box.querySelector(".k"), travel = box.querySelector(".travel");
    var inflation = box.querySelector(".inflation"), changes = box.querySelector(".changes");
    var flies = own.some(function (row) { return row.w; });
    if (!flies) { travel.parentNode.hidden = true; inflation.parentNode.hidden = true; }
    var strips = {};
    section.querySelectorAll(".strip").forEach(function (strip) {
      strips[strip.getAttribute("data-key")] = strip;
    });
    var touched = {};
    function move(row, word, t, due) {
      var strip = strips[[row.e, row.r, row.a, row.s].join("|")];
      if (!strip) { return; }
      var frame = strip.closest(".strips");
      var low = Number(frame.getAttribute("data-low")), high = Number(frame.getAttribute("data-high"));
      function at(time) { return Math.min(Math.max(100 * (time - low) / (high - low), 0), 100); }
      var mark = strip.querySelector(".mk"), line = strip.querySelector("line.due");
      var bar = strip.querySelector("rect.allowed"), out = strip.querySelector(".out");
      mark.setAttribute("x", (t === null ? 99 : at(t)).toFixed(2) + "%");
      mark.setAttribute("class", "mk " + word);
      mark.firstElementChild.setAttribute("href", "#m-" + word);
      if (line) {
        line.setAttribute("x1", at(due).toFixed(2) + "%");
        line.setAttribute("x2", at(due).toFixed(2) + "%");
        bar.setAttribute("x", Math.min(at(0), at(due)).toFixed(2) + "%");
        bar.setAttribute("width", Math.abs(at(due) - at(0)).toFixed(2) + "%");
      }
      out.className = "out v v-" + word;
      out.textContent = MARKS[word] + " " + words(row, word, t, due);
    }
    function update() {
      var scale = Number(k.value);
      var way = touched.travel ? Number(travel.value) : null;
      var fill = touched.inflation ? Number(inflation.value) : null;
      k.parentNode.querySelector("output").textContent = scale.toFixed(2);
      travel.parentNode.querySelector("output").textContent = travel.value + " mm";
      inflation.parentNode.querySelector("output").textContent = inflation.value + " ms";
      var counts = {on_time: 0, late: 0, missed: 0, early: 0, held: 0, inadvertent: 0}, list = [];
      own.forEach(function (row) {
        var due = row.x === "fire" ? required(row, way, fill) : row.q;
        var word = verdict(row, scale, due), before = verdict(row, 1, row.q);
        counts[word] += 1;
        if (row.x === "fire") { move(row, word, fireTime(row, scale), due); }
        if (word !== before) {
          list.push([word === "on_time" || word === "held" ? 1 : 0, row.e + ", " +
            row.r.replace(/_/g, " ") + ": " + WORDS[before] + " \u2192 " +
            words(row, word, fireTime(row, scale), due)]);
        }
      });
      box.querySelector(".counts").textContent = "Must fire: " + counts.on_time + " on time, " +
        counts.late + " late, " + counts.missed + " missed" +
        (counts.early ? ", " + counts.early + " early" : "") + ". Must not: " + counts.held +
        " held, " + counts.inadvertent + " inadvertent." +
        (list.length ? " " + list.length + " changed:" : "");
      changes.textContent = "";
      list.sort(function (a, b) { return a[0] - b[0]; }).slice(0, 12).forEach(function (item) {
        var li = document.createElement("li");
        li.textContent = item[1];
        changes.appendChild(li);
      });
      if (list.length > 12) {
        var more = document.createElement("li");
        more.textContent = "and " + (list.length - 12) + " more";
        changes.appendChild(more);
      }
    }
    k.addEventListener("input", update);
    travel.addEventListener("input", function () { touched.travel = true; update(); });
    inflation.addEventListener("input", function () { touched.inflation = true; update(); });
    box.querySelector(".reset").addEventListener("click", function () {
      k.value = 1; travel.value = 127; inflation.value = 30; touched = {};
      update();
    });
    var ready = false;
    function begin() {
      if (!ready && section.open) { ready = true; update(); }
    }
    section.addEventListener("toggle", begin);
    begin();
  }
  document.querySelectorAll("#timing details.pair").forEach(pair);

  // -- the list of events -------------------------------------------------------------------------
  var form = document.querySelector(".filters"), list = document.getElementById("list");
  var events = Array.prototype.slice.call(list.children);
  var planned = events.slice();
  form.hidden = false;
  function value(name) { return form.elements[name].value; }
  function number(event, name, missing) {
    var text = event.getAttribute("data-" + name);
    return text === "" ? missing : Number(text);
  }
  function has(event, name, word) {
    return !word || (" " + event.getAttribute("data-" + name) + " ").indexOf(" " + word + " ") >= 0;
  }
  function apply() {
    var q = value("q").trim().toLowerCase(), shown = 0;
    var order = {
      margin: function (a, b) { return number(a, "margin", 1e9) - number(b, "margin", 1e9); },
      slack: function (a, b) { return number(a, "slack", 1e9) - number(b, "slack", 1e9); },
      draws: function (a, b) { return number(b, "draws", 0) - number(a, "draws", 0); },
      name: function (a, b) {
        return a.getAttribute("data-name") < b.getAttribute("data-name") ? -1 : 1;
      }
    }[value("sort")];
    var sorted = order ? planned.slice().sort(order) : planned;
    if (sorted.some(function (event, i) { return event !== list.children[i]; })) {
      sorted.forEach(function (event) { list.appendChild(event); });
    }
    events.forEach(function (event) {
      var text = (event.getAttribute("data-name") + " " + event.getAttribute("data-title"))
        .toLowerCase();
      var fits = text.indexOf(q) >= 0 && has(event, "family", value("family")) &&
        has(event, "verdicts", value("verdict")) && has(event, "restraints", value("restraint"));
      event.hidden = !fits;
      if (fits) { shown += 1; }
    });
    form.querySelector(".found").textContent = shown + " of " + events.length + " events";
  }
  var NAMES = ["q", "family", "verdict", "restraint", "sort"];
  function write() {
    var parts = NAMES.filter(value).map(function (name) {
      return name + "=" + encodeURIComponent(value(name));
    });
    history.replaceState(null, "", "#events" + (parts.length ? "?" + parts.join("&") : ""));
  }
  function read(query) {
    var given = new URLSearchParams(query);
    NAMES.forEach(function (name) { form.elements[name].value = given.get(name) || ""; });
    apply();
  }
  form.addEventListener("input", function () { apply(); write(); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });
  function follow() {
    var hash = decodeURI(location.hash.slice(1)), mark = hash.indexOf("?");
    if (hash.indexOf("events") === 0 && (mark === 6 || hash === "events")) {
      read(mark < 0 ? "" : location.hash.slice(location.hash.indexOf("?") + 1));
      document.getElementById("events").scrollIntoView();
      return;
    }
    var target = hash && document.getElementById(hash);
    if (!target) { return; }
    if (target.tagName === "DETAILS") {
      target.hidden = false;
      target.open = true;
    }
    target.scrollIntoView();
    var head = target.querySelector("summary");
    if (head) { head.focus({preventScroll: true}); }
  }
  window.addEventListener("hashchange", follow);
  apply();
  follow();

  // -- print: the failing events with their figures -------------------------------------------------
  var opened = [];
  window.addEventListener("beforeprint", function () {
    opened = events.filter(function (event) {
      return event.classList.contains("failing") && !event.open;
    });
    opened.forEach(function (event) { event.open = true; });
  });
  window.addEventListener("afterprint", function () {
    opened.forEach(function (event) { event.open = false; });
  });
}());
