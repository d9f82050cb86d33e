// What one failure case does, evaluated in the page: the same contract as the Python engine, one case at a time.
//
// A system comes as plain arrays (see page_network.py); nodes are components, then loads, then functions. The code
// follows the words of the format: zones spread from shorts, what cleared them stays open, power is a least fixpoint,
// needs at stage 0 a greatest one, at later stages a least one above the stage before, charge links the phases.
"use strict";
const PowerfaultEngine = (() => {
  const STAGES = 4, LOSS = "loss", SHORT = "short", STUCK = "stuck", CLOSED = "closed", LEAK = "leak";

  function prepare(net) {
    const n = net.ids.length, sys = Object.assign({}, net);
    sys.n = n;
    sys.index = new Map(net.ids.map((id, i) => [id, i]));
    const lists = () => Array.from({length: n}, () => []);
    sys.next = lists(); sys.previous = lists(); sys.upstream = lists(); sys.downstream = lists();
    for (const [a, b] of net.links) {
      sys.next[a].push(b);
      sys.previous[b].push(a);
      if (!net.source[b]) { sys.upstream[b].push(a); sys.downstream[a].push(b); }
    }
    sys.neededBy = [...new Set(net.needs.flat().map(([node]) => node))];
    sys.bearing = [];
    net.needs.forEach(own => own.forEach(([node, bears]) => {
      if (bears && !sys.bearing.some(([a, b]) => a === node && b === bears)) sys.bearing.push([node, bears]);
    }));
    return sys;
  }

  // The fault zone, given which switched components are operable.
  function faultZone(sys, mode, operable) {
    const zone = new Uint8Array(sys.n), frontier = [];
    mode.forEach((m, v) => { if (m === SHORT || m === LEAK) { zone[v] = 1; frontier.push(v); } });
    const stops = (v, fromUpstream) => {
      if (v >= sys.components) return !sys.common[v];
      const held = mode.get(v) === STUCK || mode.get(v) === CLOSED;
      const through = sys.through[v] && fromUpstream;
      if (sys.clears[v] && !held && !through) return true;
      if (operable[v]) return true;
      if (sys.normallyOpen[v] && mode.get(v) !== CLOSED) return true;
      if (sys.unmated[v]) return true;
      return sys.diode[v] === 1 && fromUpstream;
    };
    while (frontier.length) {
      const here = frontier.pop();
      for (const w of sys.next[here]) if (!zone[w] && !stops(w, true)) { zone[w] = 1; frontier.push(w); }
      for (const w of sys.previous[here]) if (!zone[w] && !stops(w, false)) { zone[w] = 1; frontier.push(w); }
    }
    return zone;
  }

  // Outside the zone with a link into it: it could feed the fault, so it conducts nothing.
  function boundaries(sys, zone) {
    const found = new Uint8Array(sys.n);
    for (const [a, b] of sys.links) if (zone[b] && !zone[a]) found[a] = 1;
    return found;
  }

  // The case in the long run, and as ``atOnce`` before a storage is flat and while what is borne is borne: storages
  // begin charged that are so with nothing more failed. ``atOnce`` is null where it can be no better.
  function evaluate(sys, events) {
    const result = evaluateFrom(sys, events, null, STAGES, STAGES);
    result.atOnce = null;
    if (!sys.bearing.length && !sys.chargers.some(x => x)) return result;
    if (!sys.chargedBefore) sys.chargedBefore = evaluateFrom(sys, [], null, STAGES, STAGES).charged;
    const ends = [...new Set(sys.bearing.map(([, bears]) => bears + 1))].filter(end => end < STAGES).sort();
    const stages = [];
    [0, ...ends].forEach((begin, i) => {
      const end = i < ends.length ? ends[i] : STAGES;
      const run = evaluateFrom(sys, events, sys.chargedBefore, begin, end);
      for (let stage = begin; stage < end; stage++) stages.push(run.stages[stage]);
    });
    result.atOnce = {stages, ...outcomesOf(sys, stages)};
    return result;
  }

  // Outcomes: 0 to 3 the first stage that serves, 4 lost; over phases the worst of those that judge it.
  function outcomesOf(sys, stages) {
    const first = sys.components, byPhase = [], outcomes = new Uint8Array(sys.n - first);
    for (let p = 0; p < sys.phases.length; p++) {
      const own = new Int8Array(sys.n - first).fill(-1);
      for (let c = 0; c < sys.n - first; c++) {
        if (!sys.judged[p][c]) continue;
        let s = 0;
        while (s < STAGES && !stages[s][p].live[first + c]) s++;
        own[c] = s;
        if (s > outcomes[c]) outcomes[c] = s;
      }
      byPhase.push(own);
    }
    return {outcomes, byPhase};
  }

  // ``before``: the storages charged to begin with; needs borne up to stage ``heldFrom`` or longer stay borne whatever
  // becomes of them; from stage ``end`` on nothing is computed.
  function evaluateFrom(sys, events, before, heldFrom, end) {
    const n = sys.n, phases = sys.phases.length, mode = new Map();
    for (const [v, m] of sys.standing) mode.set(v, m);
    for (const [v, m] of events) if (!mode.has(v)) mode.set(v, m);
    const none = new Uint8Array(n);
    const zone0 = faultZone(sys, mode, none), border0 = boundaries(sys, zone0);
    const tripped = new Uint8Array(n), dead = new Uint8Array(n);
    for (let v = 0; v < n; v++) {
      if (sys.clears[v] && (zone0[v] || border0[v])) tripped[v] = 1;
      if (mode.get(v) === LOSS || (sys.fuse[v] && tripped[v]) || (sys.storage[v] && zone0[v])) dead[v] = 1;
    }
    const borne = new Map(), valvesInTime = [];
    for (const [node, bears] of sys.bearing)
      for (let p = 0; p < phases; p++) borne.set(node + ":" + bears + ":" + p, 1);

    const conducts = (v, stage, zone, operable) => {
      if (sys.switched[v]) {
        const still = !sys.normallyOpen[v] && !tripped[v];
        return (still || operable[v] === 1) && mode.get(v) !== CLOSED;
      }
      if (sys.unmated[v]) return sys.crewMates[v] === 1 && stage === STAGES - 1;
      if (sys.converter[v] && tripped[v])
        return !zone[v] && !sys.next[v].some(w => zone[w]) && !sys.previous[v].some(w => zone[w]);
      return true;
    };
    const needMet = (v, stage, p, met) => sys.needs[v].every(([node, bears]) =>
      met[node] || (bears && stage <= bears && borne.get(node + ":" + bears + ":" + p)));

    // The least fixpoint of power, functions counted after it.
    function power(stage, p, zone, border, operable, charged, met) {
      const live = new Uint8Array(n), able = new Uint8Array(n), count = new Uint16Array(n), queue = [];
      const rise = v => { live[v] = 1; queue.push(v); };
      for (let v = 0; v < sys.components + sys.loads; v++) {
        if (dead[v] || zone[v] || border[v] || !needMet(v, stage, p, met)) continue;
        if (sys.source[v]) {
          if (!sys.dry[p][v] && (!sys.chargers[v] || charged[v])) rise(v);
        } else if (v >= sys.components || conducts(v, stage, zone, operable)) {
          able[v] = 1;
          if (sys.threshold[v] <= 0) rise(v);
        }
      }
      while (queue.length) {
        const v = queue.pop();
        for (const w of sys.downstream[v]) {
          count[w]++;
          if (!live[w] && able[w] && count[w] >= sys.threshold[w]) rise(w);
        }
      }
      for (const f of sys.functionOrder) {
        let served = 0;
        for (const m of sys.members[f]) served += live[m];
        if (served >= sys.threshold[f]) live[f] = 1;
      }
      return live;
    }

    function firstStage(p, charged) {
      const met = new Uint8Array(n);
      for (const v of sys.neededBy) met[v] = 1;
      for (;;) {
        const live = power(0, p, zone0, border0, none, charged, met);
        let changed = false;
        for (const v of sys.neededBy) if (met[v] && !live[v]) { met[v] = 0; changed = true; }
        if (!changed) return {live, zone: zone0, border: border0, operable: none};
      }
    }

    function laterStage(stage, p, before, charged) {
      let served = before;
      for (;;) {
        const operable = new Uint8Array(n);
        for (let v = 0; v < sys.components; v++)
          if (sys.switched[v] && mode.get(v) !== STUCK && mode.get(v) !== CLOSED && sys.operated[v] <= stage &&
              sys.operators[v].every(w => served[w])) operable[v] = 1;
        // A leak is held back only by valves that close by themselves; one closed later finds the line drained.
        const barring = operable.slice();
        if (stage > 1) for (let v = 0; v < sys.components; v++) if (sys.valve[v]) barring[v] = valvesInTime[p][v];
        const zone = faultZone(sys, mode, barring), border = boundaries(sys, zone);
        const live = power(stage, p, zone, border, operable, charged, served);
        let grew = false;
        for (let v = 0; v < n; v++) { if (live[v] && !served[v]) grew = true; if (served[v]) live[v] = 1; }
        if (!grew) return {live: served, zone, border, operable};
        served = live;
      }
    }

    let chargedFirst;
    function allStages() {
      const stages = [];
      let charged = before ? before.slice() : new Uint8Array(n);
      for (let stage = 0; stage < STAGES; stage++) {
        let now;
        if (stage >= end) { stages.push(stages[stage - 1]); continue; }
        for (;;) {
          now = [];
          for (let p = 0; p < phases; p++)
            now.push(stage === 0 ? firstStage(p, charged) : laterStage(stage, p, stages[stage - 1][p].live, charged));
          const more = charged.slice();
          let grew = false;
          for (let v = 0; v < sys.components; v++)
            if (sys.chargers[v] && !more[v] && sys.chargers[v].some(u => now.some(x => x.live[u]))) {
              more[v] = 1;
              grew = true;
            }
          if (!grew) break;
          charged = more;
        }
        stages.push(now);
        if (stage === 0) chargedFirst = charged;
        if (stage === 1) now.forEach((x, p) => { valvesInTime[p] = x.operable; });
      }
      return stages;
    }

    let stages;
    for (;;) {
      stages = allStages();
      let withdrawn = false;
      for (const [node, bears] of sys.bearing) {
        if (bears >= heldFrom || bears >= end) continue;
        for (let p = 0; p < phases; p++) {
          const key = node + ":" + bears + ":" + p;
          if (borne.get(key) && !stages[bears][p].live[node]) { borne.set(key, 0); withdrawn = true; }
        }
      }
      if (!withdrawn) break;
    }

    return {stages, tripped, mode, charged: chargedFirst, ...outcomesOf(sys, stages)};
  }

  return {prepare, evaluate};
})();
if (typeof module !== "undefined") module.exports = PowerfaultEngine;
