/* The balance: what is set, the sound of it, what it makes of the sound, and the recipe's lines for it. */

const dbOf = (power) => 10 * Math.log10(Math.max(power, 1e-30));

function numbersOf(base64, Kind) {
  return new Kind(bytesOf(base64));
}

/* Figures of a balance: quadratic forms in the signals' gains over triangles of matrices, rows one after the other. */
class Figures {
  constructor(passage, count) {
    this.count = count;
    this.size = (count * (count + 1)) / 2;
    this.whole = numbersOf(passage.whole, Float64Array);
    this.bands = numbersOf(passage.bands, Float64Array);
    this.hops = numbersOf(passage.hops, Float32Array);
    this.gated = passage.gated;
    this.centres = passage.centres_hz;
  }

  /* Weights of a triangle whose sum is the power of `left` times `right`. */
  weights(left, right) {
    const found = new Float64Array(this.size);
    let at = 0;
    for (let m = 0; m < this.count; m += 1) {
      for (let n = m; n < this.count; n += 1, at += 1) {
        found[at] = m === n ? left[m] * right[m] : left[m] * right[n] + left[n] * right[m];
      }
    }
    return found;
  }

  both({ left, right }) {
    const [one, other] = [this.weights(left, left), this.weights(right, right)];
    return one.map((value, at) => value + other[at]);
  }

  power(values, row, weights) {
    let sum = 0;
    for (let at = 0, from = row * this.size; at < this.size; at += 1) sum += values[from + at] * weights[at];
    return sum;
  }

  /* dB of each band, both channels. */
  curve(gains) {
    const weights = this.both(gains);
    return this.centres.map((_, band) => dbOf(this.power(this.bands, band, weights)));
  }

  /* Correlation of the channels, and what mono loses in dB. */
  stereo({ left, right }) {
    const [ll, rr, lr] = [[left, left], [right, right], [left, right]].map(
      ([one, other]) => this.power(this.whole, 0, this.weights(one, other)));
    const scale = Math.sqrt(ll) * Math.sqrt(rr);
    return { correlation: scale > 0 ? lr / scale : null, fold: ll + rr > 0 ? dbOf(0.5 + lr / (ll + rr)) : null };
  }

  /* LUFS, gated as ITU-R BS.1770-5 says; null for silence. */
  loudness(gains) {
    const weights = this.both(gains);
    const hops = [];
    for (let hop = 0; hop < this.hops.length / this.size; hop += 1) hops.push(this.power(this.hops, hop, weights));
    const blocks = this.gated ? hops.slice(3).map((_, at) => (hops[at] + hops[at + 1] + hops[at + 2] + hops[at + 3]) / 4)
      : hops;
    const mean = (list) => list.reduce((sum, value) => sum + value, 0) / list.length;
    const loud = blocks.filter((power) => dbOf(power) - 0.691 > -70);
    if (!loud.length) return null;
    const gate = mean(loud) / 10;
    return dbOf(mean(this.gated ? loud.filter((power) => power > gate) : loud)) - 0.691;
  }

  /* Of each band, the share of the signals that `chosen` says, 0 to 1. */
  share({ left, right }, chosen) {
    const own = (side) => side.map((gain, at) => (chosen[at] ? gain : 0));
    const weights = this.weights(own(left), left);
    const other = this.weights(own(right), right);
    const whole = this.both({ left, right });
    return this.centres.map((_, band) => {
      const power = this.power(this.bands, band, whole);
      const part = this.power(this.bands, band, weights) + this.power(this.bands, band, other);
      return power > 0 ? part / power : 0;
    });
  }
}

/* What the recipe says, as a state of the page. */
function recipeState(base) {
  const entries = (table) => Object.fromEntries(Object.entries(table).map(
    ([name, { gain_db, mute }]) => [name, { level: gain_db, on: !mute, alone: false, over: false }]));
  const one = (level, on) => ({ level, on, alone: false, over: false });
  const centre = base.buses[base.centre];
  return { mics: entries(base.mics), performances: entries(base.performances), rooms: { rooms: one(0, true) },
    centre: centre ? { [base.centre]: one(centre.gain_db, !centre.mute) } : {}, width: base.width };
}

/* Linear gains of every signal to the left and right ear. */
function gainsOf(base, state, mono) {
  const any = (...rows) => rows.some((row) => row.alone);
  const mics = any(...Object.values(state.mics), state.rooms.rooms);
  const places = any(...Object.values(state.performances), ...Object.values(state.centre));
  const left = new Float64Array(base.signals.length);
  const right = new Float64Array(base.signals.length);
  base.signals.forEach((signal, at) => {
    const mic = state.mics[signal.mic];
    const performance = state.performances[signal.performance];
    const centre = state.centre[signal.bus];
    const rows = [mic, performance, ...(signal.room ? [state.rooms.rooms] : []), ...(centre ? [centre] : [])];
    const alone = (!mics || mic.alone || (signal.room && state.rooms.rooms.alone))
      && (!places || performance.alone || (centre && centre.alone));
    if (signal.off || !alone || rows.some((row) => !row.on)) return;
    const bus = base.buses[signal.bus];
    const db = mic.level - base.mics[signal.mic].gain_db + (signal.room ? state.rooms.rooms.level : 0)
      + performance.level + (centre ? centre.level : bus.gain_db);
    const sign = rows.filter((row) => row.over).length % 2 ? -1 : 1;
    const gain = sign * signal.gain * gainOf(db) * base.gain;
    const mid = 0.5 * gain * (bus.left + bus.right);
    const side = mono ? 0 : 0.5 * gain * (bus.left - bus.right) * state.width;
    left[at] = mid + side;
    right[at] = mid - side;
  });
  return { left, right };
}

/* The lines that differ from the recipe, as a layer of it. */
function linesOf(base, state) {
  const round = (value) => Math.round(value * 1000) / 1000 + 0;
  const differs = (one, other) => Math.abs(one - other) > 0.0005;
  const flow = (entry) => `{${Object.entries(entry).map(
    ([key, value]) => `${key}: ${typeof value === "object" ? flow(value) : value}`).join(", ")}}`;
  const key = (name) => (/^[A-Za-z_][A-Za-z0-9_-]*$/.test(name) && !/^(y|n|yes|no|on|off|true|false|null)$/i.test(name)
    ? name : JSON.stringify(name));
  const sections = { mics: {}, performances: {}, buses: {} };
  const put = (section, name, entry) => {
    if (Object.keys(entry).length) sections[section][key(name)] = { ...sections[section][key(name)], ...entry };
  };
  const change = (own, level, on) => ({ ...(differs(level, own.gain_db) ? { gain_db: round(level) } : {}),
    ...(on === own.mute ? { mute: !on } : {}) });
  const { rooms } = state.rooms;
  Object.entries(base.mics).forEach(([name, own]) => {
    const { level, on } = state.mics[name];
    const whole = own.room ? level + rooms.level : level;
    put("mics", name, change(own, whole, own.room ? on && rooms.on : on));
    Object.entries(own.excepted).forEach(([performance, gain_db]) => {
      if (!differs(whole, own.gain_db)) return;
      const before = (sections.performances[key(performance)] || {}).mics || {};
      put("performances", performance,
        { mics: { ...before, [key(name)]: { gain_db: round(gain_db + whole - own.gain_db) } } });
    });
  });
  Object.entries(base.performances).forEach(([name, own]) => {
    put("performances", name, change(own, state.performances[name].level, state.performances[name].on));
  });
  Object.entries(state.centre).forEach(([name, { level, on }]) => {
    put("buses", name, change(base.buses[name], level, on));
  });
  const lines = Object.entries(sections).flatMap(([section, entries]) => (Object.keys(entries).length
    ? [`${section}:`, ...Object.entries(entries).map(([name, entry]) => `  ${name}: ${flow(entry)}`)] : []));
  if (differs(state.width, base.width) || (base.limited && lines.length)) {
    lines.push(`guitar_bus: {width: ${round(state.width)}}`);
  }
  return [`${base.mark}: set by ear`, "format: 1", `extends: ${JSON.stringify(base.extends)}`, ...lines, ""].join("\n");
}

/* Why a state cannot be rendered, in words; "" where it can. */
function cannot(base, state) {
  const heard = Object.keys(base.performances).filter((name) => state.performances[name].on);
  const close = (performance) => base.signals.some((signal) => signal.performance === performance && !signal.room
    && !signal.off && state.mics[signal.mic].on);
  if (!heard.length) return "Nothing is on: a recipe needs one performance that is heard.";
  const without = heard.filter((name) => !close(name));
  return without.length ? `A recipe needs a close mic in each performance; none is on in ${without.join(", ")}.` : "";
}

/* The sound of a passage in any audio context: every signal with a gain to each ear, all at 0. */
function buildBalance(context, signals, buffers, loop, destination) {
  const merger = context.createChannelMerger(2);
  merger.connect(destination);
  const ears = signals.map((_, at) => {
    const source = context.createBufferSource();
    source.buffer = buffers[at];
    source.loop = loop;
    const gains = [0, 1].map((ear) => {
      const gain = context.createGain();
      gain.gain.value = 0;
      source.connect(gain).connect(merger, 0, ear);
      return gain.gain;
    });
    return { source, gains };
  });
  return { ears, merger, heard: ears.map(() => [0, 0]) };
}

/* Fade to gains, at a time of the context's clock. scales: what each clip was multiplied by. */
function setBalance(sound, { left, right }, scales, level, when, fade = FADE_S) {
  sound.ears.forEach(({ gains }, at) => [left[at], right[at]].forEach((value, ear) => {
    const target = (value * level) / scales[at];
    gains[ear].cancelScheduledValues(when);
    if (fade > 0) {
      gains[ear].setValueAtTime(sound.heard[at][ear], when);
      gains[ear].linearRampToValueAtTime(target, when + fade);
    } else gains[ear].setValueAtTime(target, when);
    sound.heard[at][ear] = target;
  }));
}

function startBalance(base) {
  const at = (id) => document.getElementById(id);
  const state = { now: recipeState(base), recipe: recipeState(base), first: null, second: null };
  const copy = (one) => JSON.parse(JSON.stringify(one));
  const now = { context: null, master: null, sound: null, passage: 0, place: "now", blind: null, warned: false, busy: 0 };
  const figures = base.passages.map((passage) => new Figures(passage, base.signals.length));
  const decoded = base.passages.map(() => null);
  const written = (value, digits, unit) => (value === null ? "\u2013"
    : `${value.toFixed(digits).replace("-", "\u2212")}${unit ? ` ${unit}` : ""}`);

  const heard = () => state[now.blind ? now.blind.order[now.blind.number] : now.place];
  const mono = () => at("mono").checked;

  function level() {
    const own = figures[now.passage].loudness(gainsOf(base, heard(), mono()));
    const recipe = figures[now.passage].loudness(gainsOf(base, state.recipe, mono()));
    return (at("equal").checked || now.blind) && own !== null && recipe !== null ? gainOf(recipe - own) : 1;
  }

  async function buffersOf(context, passage) {
    if (!decoded[passage]) {
      decoded[passage] = await Promise.all(base.signals.map((signal) => context.decodeAudioData(
        bytesOf(at(`clip-${base.passages[passage].clips[signal.clip].name}`).textContent.trim()))));
    }
    return decoded[passage];
  }

  const scalesOf = (passage) => base.signals.map((signal) => base.passages[passage].clips[signal.clip].scale);

  function sounds() {
    if (now.sound) {
      setBalance(now.sound, gainsOf(base, heard(), mono()), scalesOf(now.passage), level(), now.context.currentTime);
    }
  }

  function stop() {
    if (!now.sound) return;
    const { sound } = now;
    const end = now.context.currentTime;
    const silent = new Float64Array(base.signals.length);
    setBalance(sound, { left: silent, right: silent }, scalesOf(now.passage), 0, end);
    sound.ears.forEach(({ source }) => { source.onended = null; source.stop(end + FADE_S); });
    setTimeout(() => sound.merger.disconnect(), 50);
    now.sound = null;
    at("play").textContent = "Play";
  }

  async function play() {
    const ticket = (now.busy += 1);
    if (!now.context) {
      now.context = new AudioContext({ sampleRate: base.clip_rate });
      now.master = now.context.createGain();
      now.master.connect(now.context.destination);
      showVolume();
    }
    let buffers;
    try {
      await now.context.resume();
      buffers = await buffersOf(now.context, now.passage);
    } catch (error) {
      at("told").textContent = `This browser cannot play the clips: ${error.message}`;
      return;
    }
    if (ticket !== now.busy) return;
    stop();
    now.sound = buildBalance(now.context, base.signals, buffers, at("loop").checked, now.master);
    const begin = now.context.currentTime + 0.02;
    now.sound.ears.forEach(({ source }) => source.start(begin));
    now.sound.ears[0].source.onended = stop;
    sounds();
    at("play").textContent = "Stop";
  }

  function showVolume() {
    const text = `${at("volume").value.replace("-", "\u2212")} dB`;
    at("volume").setAttribute("aria-valuetext", text);
    at("volume-text").textContent = text;
    if (now.master) now.master.gain.setTargetAtTime(gainOf(Number(at("volume").value)), now.context.currentTime, 0.01);
  }

  /* Controls to what is set. */
  function showRows() {
    document.querySelectorAll("tr[data-kind]").forEach((row) => {
      const own = state.now[row.dataset.kind][row.dataset.name];
      row.querySelector(".level").value = own.level;
      ["on", "alone", "over"].forEach((name) => { row.querySelector(`.${name}`).checked = own[name]; });
    });
    at("width").value = state.now.width;
  }

  function shape(name, attributes, text) {
    const made = document.createElementNS("http://www.w3.org/2000/svg", name);
    Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
    if (text !== undefined) made.textContent = text;
    return made;
  }

  function showCurve(curve, recipe) {
    const top = Math.max(...recipe);
    const x = (band) => 40 + (band * 730) / (curve.length - 1);
    const y = (db) => 20 + Math.min(48, Math.max(-6, top - db)) * 4;
    const points = (list) => list.map((db, band) => `${x(band).toFixed(1)},${y(db).toFixed(1)}`).join(" ");
    const grid = [0, 12, 24, 36, 48].flatMap((db) => [
      shape("line", { x1: 40, x2: 770, y1: y(top - db), y2: y(top - db) }),
      shape("text", { x: 2, y: y(top - db) + 4 }, db ? `\u2212${db}` : "0")]);
    const names = figures[0].centres.flatMap((hz, band) => (band % 4 ? [] : [shape("text",
      { x: x(band), y: 250, "text-anchor": "middle" }, hz < 950 ? Math.round(hz) : `${Math.round(hz / 100) / 10}k`)]));
    at("curve").replaceChildren(...grid, ...names, shape("polyline", { class: "recipe", points: points(recipe) }),
      shape("polyline", { points: points(curve) }));
  }

  function showTable(own, gains, difference) {
    const cells = (tag, head, list) => {
      const row = document.createElement("tr");
      const first = document.createElement("th");
      first.scope = tag === "th" ? "col" : "row";
      first.textContent = head;
      row.append(first, ...list.map((text) => {
        const cell = document.createElement(tag);
        if (tag === "th") cell.scope = "col";
        cell.textContent = text;
        return cell;
      }));
      return row;
    };
    const centres = own.centres.map((hz) => `${Math.round(hz)} Hz`);
    const shares = Object.keys(base.mics).map((mic) => cells("td", `${mic}, %`, own.share(gains,
      base.signals.map((signal) => signal.mic === mic)).map((value) => written(100 * value, 0))));
    at("shares").tHead.replaceChildren(cells("th", "third octave", centres));
    at("shares").tBodies[0].replaceChildren(cells("td", "against the recipe, dB",
      difference.map((db) => written(db, 1))), ...shares);
  }

  function show() {
    const hidden = Boolean(now.blind && !now.blind.voted);
    at("seen").hidden = hidden;
    const layer = linesOf(base, state.now);
    if (at("layer").value !== layer) at("layer").value = layer;
    at("cannot").textContent = cannot(base, state.now);
    at("take").disabled = now.place === "now" || hidden;
    at("blind").disabled = !(state.first && state.second);
    at("blind").textContent = hidden ? "Give up" : "Compare the two blind";
    at("vote").hidden = !hidden;
    at("numbers").hidden = !hidden;
    at("places").disabled = hidden;
    document.querySelectorAll("[name=place]").forEach((radio) => {
      radio.checked = radio.value === now.place;
      radio.disabled = state[radio.value] === null;
    });
    sounds();
    if (hidden) return;
    const own = figures[now.passage];
    const gains = gainsOf(base, heard(), mono());
    const recipe = own.curve(gainsOf(base, state.recipe, mono()));
    const shift = 20 * Math.log10(level());
    const curve = own.curve(gains).map((db) => db + shift);
    const { correlation, fold } = own.stereo(gains);
    at("loudness").textContent = written(own.loudness(gains), 2, own.gated ? "LUFS" : "LUFS, without gates");
    at("fold").textContent = written(fold, 2, "dB");
    at("correlation").textContent = written(correlation, 2);
    showCurve(curve, recipe);
    showTable(own, gains, curve.map((db, band) => db - recipe[band]));
    makeScrollable();
  }

  /* What is set is what is heard from then on. */
  function set(change) {
    if (now.blind) endBlind("The comparison was given up.");
    now.place = "now";
    change(state.now);
    show();
  }

  const number = (input, least, most) => {
    const value = Number(input.value);
    return input.value.trim() === "" || Number.isNaN(value) ? null : Math.min(most, Math.max(least, value));
  };

  document.querySelectorAll("tr[data-kind]").forEach((row) => {
    const { kind, name } = row.dataset;
    row.querySelector(".level").addEventListener("input", (event) => {
      const value = number(event.target, -60, 20);
      if (value !== null) set((own) => { own[kind][name].level = value; });
    });
    row.querySelector(".level").addEventListener("change", showRows);
    ["on", "alone", "over"].forEach((key) => row.querySelector(`.${key}`).addEventListener("change", (event) => {
      set((own) => { own[kind][name][key] = event.target.checked; });
    }));
  });
  at("width").addEventListener("input", (event) => {
    const value = number(event.target, 0, 2);
    if (value !== null) set((own) => { own.width = value; });
  });
  at("width").addEventListener("change", showRows);
  at("reset").addEventListener("click", () => { set((own) => Object.assign(own, copy(state.recipe))); showRows(); });
  document.querySelectorAll("[name=place]").forEach((radio) => radio.addEventListener("change", () => {
    now.place = radio.value;
    show();
  }));
  const words = { first: "the first", second: "the second" };
  ["first", "second"].forEach((place) => at(`keep-${place}`).addEventListener("click", () => {
    state[place] = copy(heard());
    at("told").textContent = `Kept as ${words[place]}.`;
    show();
  }));
  at("take").addEventListener("click", () => {
    state.now = copy(heard());
    now.place = "now";
    showRows();
    show();
  });

  function endBlind(text) {
    now.blind = null;
    at("told").textContent = text;
  }

  at("blind").addEventListener("click", () => {
    if (now.blind) endBlind("The comparison was given up.");
    else {
      now.blind = { order: shuffled(2).map((one) => ["first", "second"][one]), number: 0 };
      document.querySelectorAll("[name=number]").forEach((radio, place) => { radio.checked = place === 0; });
      at("told").textContent = "Both are equally loud, in random order. Listen, switch, then vote.";
    }
    show();
  });
  document.querySelectorAll("[name=number]").forEach((radio) => radio.addEventListener("change", () => {
    now.blind.number = Number(radio.value);
    show();
  }));
  at("vote").addEventListener("click", () => {
    const { order, number: chosen } = now.blind;
    now.place = order[chosen];
    endBlind(`You chose ${words[order[chosen]]}: number 1 was ${words[order[0]]}, number 2 ${words[order[1]]}.`);
    show();
    at("blind").focus();
  });

  at("play").addEventListener("click", () => {
    if (now.sound) stop();
    else if (now.warned) play();
    else at("caution").showModal();
  });
  at("caution-play").addEventListener("click", () => { now.warned = true; at("caution").close(); play(); });
  at("caution-cancel").addEventListener("click", () => at("caution").close());
  at("volume").addEventListener("input", showVolume);
  ["mono", "equal"].forEach((id) => at(id).addEventListener("change", show));
  at("loop").addEventListener("change", () => now.sound?.ears.forEach(({ source }) => { source.loop = at("loop").checked; }));
  document.querySelectorAll("[name=passage]").forEach((radio) => radio.addEventListener("change", () => {
    const was = now.sound !== null;
    stop();
    now.passage = Number(radio.value);
    show();
    if (was) play();
  }));
  ["hearing", "width-form"].forEach((id) => at(id).addEventListener("submit", (event) => event.preventDefault()));

  function save(name, text) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "application/yaml" }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
    at("written").textContent = `Saved as ${name}.`;
  }

  at("copy").addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(at("layer").value);
    } catch {
      at("layer").select();
      document.execCommand("copy");
    }
    at("written").textContent = "Copied.";
  });
  at("save").addEventListener("click", () => save("balance.yaml", at("layer").value));
  at("save-sheet").addEventListener("click", () => save("alignment.yaml", base.sheet));
  showRows();
  showVolume();
  show();
  return { state, now, figures, heard, level, scalesOf, gains: () => gainsOf(base, heard(), mono()) };
}

const balanceBase = JSON.parse(document.getElementById("balance").textContent);
Object.assign(premix, { balance: startBalance(balanceBase), base: balanceBase, buildBalance, setBalance, linesOf, gainsOf,
  recipeState });
