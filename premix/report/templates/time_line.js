"use strict";
/* The song's time line: a cursor over all lanes, and what every performance and its room do where it stands. */

/* Whether a time lies in one of [on, off, on, off ...]. */
function within(edges, seconds) {
  let [low, high] = [0, edges.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (edges[middle] <= seconds) low = middle + 1;
    else high = middle;
  }
  return low % 2 === 1;
}

const NEAR_PX = 10;

function startTimeLine(data) {
  const at = (id) => document.getElementById(id);
  const lanes = [...document.querySelectorAll("svg.lane")];
  const states = [...document.querySelectorAll(".state")];
  let moved = false;

  /* Where the lanes lie inside of their table, which scrolls with them: a piece of the cursor over each, as on a narrow
     page the figures stand between them. Down to the next one where that is near. */
  function drawCursor(seconds) {
    if (!lanes.length) return;
    const boxes = lanes.map((lane) => lane.getBoundingClientRect());
    const [cursor, box, [first]] = [at("cursor"), at("time").getBoundingClientRect(), boxes];
    while (cursor.children.length < lanes.length) cursor.append(document.createElement("span"));
    boxes.forEach(({ top, bottom }, number) => {
      const next = boxes[number + 1]?.top ?? bottom;
      const piece = cursor.children[number].style;
      piece.top = `${top - first.top}px`;
      piece.height = `${(next - bottom < NEAR_PX ? next : bottom) - top}px`;
    });
    cursor.hidden = false;
    cursor.style.left = `${first.left - box.left + (first.width * seconds) / data.seconds}px`;
    cursor.style.top = `${first.top - box.top}px`;
  }

  /* One performance in words. */
  function said({ riff, room }, seconds) {
    const plays = within(riff, seconds) ? "plays" : "is silent";
    if (room === null) return [plays, "no room"];
    return [plays, within(room, seconds) ? "room open" : "room shut"];
  }

  /* 'left_a, left_b: plays, room open', those that do the same together. */
  function tell(seconds) {
    const alike = new Map();
    data.lanes.forEach((lane, number) => {
      const words = said(lane, seconds).join(", ");
      states[number].textContent = words;
      alike.set(words, [...(alike.get(words) || []), lane.name]);
    });
    const all = alike.size === 1 && data.lanes.length > 1;
    const parts = [...alike].map(([words, names]) => `${all ? "every performance" : names.join(", ")} ${words}`);
    at("here").textContent = `${clock(seconds)}: ${parts.join("; ")}`;
  }

  let place = 0;
  document.addEventListener("place", ({ detail }) => {
    place = detail;
    drawCursor(detail);
    if (data.lanes.length && (moved || window.premix?.player?.playing())) tell(detail);
  });
  addEventListener("resize", () => drawCursor(place));

  function go(seconds) {
    moved = true;
    if (window.premix.player) {
      window.premix.player.go(seconds);
      return;
    }
    at("place").value = seconds;
    at("place").setAttribute("aria-valuetext", clock(seconds));
    tellPlace(seconds);
  }

  /* A click goes there; the arrow keys then go on in hundredths of a second. */
  lanes.forEach((lane) => lane.addEventListener("click", (event) => {
    const box = lane.getBoundingClientRect();
    go((data.seconds * (event.clientX - box.left)) / box.width);
    (at("position") || at("place")).focus({ preventScroll: true });
  }));
  at("place")?.addEventListener("input", () => go(Number(at("place").value)));
  at("position")?.addEventListener("input", () => { moved = true; }, true);
  document.querySelectorAll("button.go").forEach((button) => button.addEventListener("click", () => { moved = true; }));
  return { go, within };
}
