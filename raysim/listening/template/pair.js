// A sitting with two clips: meet them, say in each trial which one the stranger is.
(function () {
  var data = /*DATA*/, K = raysimKit, put = K.put, byId = K.byId;
  var parts = ["before", "meet", "trial", "desk", "promise", "rest", "end"];
  var store = "raysim-pair-" + data.kit;
  var state = K.kept(store), context = null, player = null, order = null;
  var wasHeard = false, shownAt = 0, isTrial = false;
  var called = ["the first", "the second"];
  if (!state || state.kit !== data.kit || state.n_trial !== data.n_trial) {
    state = { begun: 0, finished: 0 };
  }

  function isUnderWay() { return Boolean(state.seed) && state.answers.length < data.n_trial; }
  var given = K.givenSeed();
  if (isUnderWay() && given && given !== state.seed) { delete state.seed; }

  function orderOf(seed) {
    var d = K.draws(seed), first = d.below(2), strangers = [];
    for (var i = 0; i < data.n_trial; i++) { strangers.push(d.below(2)); }
    return { first: first, strangers: strangers };
  }
  // Clip behind a button: 0 the first, 1 the second, 2 the stranger.
  function clipOf(button) {
    var side = button === 2 ? order.strangers[state.answers.length] : button;
    return side === 0 ? order.first : 1 - order.first;
  }
  function press(button) {
    if (!player || (button === 2 && !isTrial)) { return; }
    player.show(clipOf(button));
    [0, 1, 2].forEach(function (i) {
      byId("play-" + i).setAttribute("aria-pressed", String(i === button));
    });
    if (button === 2) { wasHeard = true; }
    ready();
  }
  function silence() {
    if (player) { player.stop(); }
    [0, 1, 2].forEach(function (i) { byId("play-" + i).setAttribute("aria-pressed", "false"); });
  }
  function picked() {
    var one = document.querySelector("input[name=is]:checked");
    return one ? Number(one.value) : -1;
  }
  function ready() {
    byId("confirm").disabled = !(wasHeard && picked() >= 0);
    put("why-not", wasHeard ? "" : "Listen to the stranger before you answer.");
  }

  function newSeed() {
    state.seed = given || K.freshSeed();
    state.seed_from = given ? "address" : "chance";
    state.answers = [];
    state.seconds = [];
    state.has_begun = false;
  }
  function load() {
    if (!context) { context = K.openContext(data.sample_rate_hz); }
    K.whenReady(context, function () {
      return player ? Promise.resolve() : K.decode(context, data.clips).then(function (b) {
        player = K.player(context, b);
      });
    }, function () {
      if (!state.seed) { newSeed(); }
      state.listener = byId("listener").value.trim();
      order = orderOf(state.seed);
      setVolume();
      meet();
    });
  }
  function meet() {
    isTrial = false;
    byId("play-2").hidden = true;
    byId("answer").hidden = true;
    byId("begin-row").hidden = false;
    put("begin", state.answers.length
      ? "Go on with trial " + (state.answers.length + 1) + " of " + data.n_trial
      : "Begin the " + data.n_trial + " trials");
    K.open(["meet", "desk"], parts);
  }
  function begin() {
    if (!state.has_begun) {
      state.has_begun = true;
      state.begun += 1;
      state.date = new Date().toISOString();
      state.kit = data.kit;
      state.n_trial = data.n_trial;
    }
    keep();
    trial();
  }
  function keep() { K.keep(store, state); }
  function trial() {
    silence();
    isTrial = true;
    wasHeard = false;
    shownAt = Date.now();
    var n = state.answers.length;
    put("trial-name", "Trial " + (n + 1) + " of " + data.n_trial);
    byId("tally").replaceChildren.apply(byId("tally"), order.strangers.map(function (_, i) {
      var li = document.createElement("li");
      li.className = i < n ? "done" : i === n ? "now" : "";
      return li;
    }));
    document.querySelectorAll("input[name=is]").forEach(function (r) { r.checked = false; });
    byId("play-2").hidden = false;
    byId("answer").hidden = false;
    byId("begin-row").hidden = true;
    put("seal", K.sealOf(state.seed));
    byId("given").hidden = state.seed_from !== "address";
    ready();
    K.open(["trial", "desk", "promise"], parts);
  }
  function answer() {
    state.answers.push(picked());
    state.seconds.push(Math.round((Date.now() - shownAt) / 100) / 10);
    silence();
    var n = state.answers.length;
    if (n === data.n_trial) { state.finished += 1; }
    keep();
    if (n === data.n_trial) { end(); return; }
    if (n % data.rest_after === 0) {
      isTrial = false;
      put("rest-words", n + " of " + data.n_trial + " trials are done.");
      K.open(["rest"], parts);
    } else { trial(); }
  }

  function result() {
    var names = K.sealed(data.names);
    var hits = state.answers.filter(function (a, i) { return a === order.strangers[i]; }).length;
    var found = data.outcomes[hits];
    return {
      kind: "raysim pair sitting", format: 1, kit: data.kit, layouts: names,
      n_trial: data.n_trial, seed: state.seed, seed_from: state.seed_from,
      seal: K.sealOf(state.seed), listener: state.listener || "", date: state.date,
      sittings_begun: state.begun, sittings_finished: state.finished,
      first: names[order.first], second: names[1 - order.first],
      strangers: order.strangers, answers: state.answers, seconds: state.seconds,
      n_hit: hits, p: found.p, rate_low: found.low, rate_high: found.high
    };
  }
  function rows(r) {
    return [["trial", "stranger", "answer", "right", "time_s"]].concat(r.answers.map(function (a, i) {
      var names = [r.first, r.second];
      return [i + 1, names[r.strangers[i]], names[a], a === r.strangers[i] ? 1 : 0, r.seconds[i]];
    }));
  }
  function end() {
    var r = result(), found = data.outcomes[r.n_hit];
    put("sentence", found.sentence);
    put("end-hits", r.n_hit + " of " + r.n_trial);
    put("end-p", found.p_text);
    put("end-interval", found.interval_text);
    put("names", "The first was “" + r.first + "”, the second “" + r.second + "”.");
    put("sittings", "Sittings begun in this browser with these sounds: " + r.sittings_begun +
      "; finished: " + r.sittings_finished + "." + (r.sittings_begun > 1
        ? " All of them count: picking the best of several is guessing with more tickets." : ""));
    K.table("trials", r.answers.map(function (a, i) {
      return [i + 1, called[r.strangers[i]], called[a],
        a === r.strangers[i] ? "right" : "wrong", r.seconds[i].toFixed(1)];
    }));
    put("end-seed", "secret " + r.seed);
    put("end-seal", "hash   " + r.seal);
    byId("all").value = JSON.stringify(r, null, 1);
    K.open(["end"], parts);
  }

  var setVolume = K.desk(function () { return player; }, silence);
  setVolume();
  byId("load").addEventListener("click", load);
  byId("begin").addEventListener("click", begin);
  byId("go-on").addEventListener("click", trial);
  byId("give-up").addEventListener("click", function () {
    if (!confirm("Give up this sitting? It stays counted as begun.")) { return; }
    silence();
    delete state.seed;
    keep();
    before();
  });
  byId("again").addEventListener("click", function () {
    given = null;
    delete state.seed;
    keep();
    before();
  });
  byId("get-csv").addEventListener("click", function () {
    K.download("answers.csv", "text/csv", K.csv(rows(result())));
  });
  byId("get-json").addEventListener("click", function () {
    K.download("answers.json", "application/json", JSON.stringify(result(), null, 1));
  });
  byId("print").addEventListener("click", function () { window.print(); });
  byId("answer").addEventListener("change", ready);
  byId("answer").addEventListener("submit", function (event) {
    event.preventDefault();
    if (isTrial && !byId("confirm").disabled) { answer(); }
  });
  [0, 1, 2].forEach(function (i) {
    byId("play-" + i).addEventListener("click", function (event) {
      press(i);
      if (event.detail) { this.blur(); }  // by hand: the space bar then stops the sound
    });
  });
  document.addEventListener("keydown", function (event) {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.type === "text" ||
        byId("desk").hidden) { return; }
    var isOnButton = event.target.tagName === "BUTTON", isOnRange = event.target.type === "range";
    var side = { ArrowLeft: 0, ArrowRight: 1 }[event.key];
    if ("123".indexOf(event.key) >= 0) { press(Number(event.key) - 1); }
    else if (event.key === " " && !isOnButton) { silence(); event.preventDefault(); }
    else if (isTrial && side !== undefined && !isOnRange) {
      document.querySelectorAll("input[name=is]")[side].checked = true;
      ready();
      event.preventDefault();
    } else if (isTrial && event.key === "Enter" && !isOnButton && !byId("confirm").disabled) {
      event.preventDefault();
      if (!event.repeat) { answer(); }
    }
  });

  function before() {
    order = null;
    isTrial = false;
    byId("left-over").hidden = !isUnderWay() || !state.has_begun;
    put("left-over", "A sitting is under way in this browser: " +
      (state.answers || []).length + " of " + data.n_trial + " answers are kept, and it goes on.");
    byId("listener").value = isUnderWay() && state.listener || "";
    K.open(["before"], parts);
  }
  if (state.seed && !isUnderWay()) {
    order = orderOf(state.seed);
    end();
  } else { before(); }
})();
