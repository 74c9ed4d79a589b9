"use strict";
/* What all pages do, and the begin of everything. */

/* What scrolls sideways must be reachable with the keyboard. */
function makeScrollable() {
  document.querySelectorAll(".scroll").forEach((box) => {
    const wide = box.scrollWidth > box.clientWidth + 1;
    if (!wide) {
      ["tabindex", "role", "aria-label"].forEach((name) => box.removeAttribute(name));
      return;
    }
    box.setAttribute("tabindex", "0");
    box.setAttribute("role", "region");
    box.setAttribute("aria-label", box.dataset.title || box.querySelector("caption").textContent);
  });
}

/* On a narrow page the rows of a table become cards: each cell then says what it is. */
function labelCells() {
  document.querySelectorAll("table.cards").forEach((table) => {
    const heads = [...table.tHead.rows[0].cells].map((cell) => cell.textContent.trim());
    [...table.tBodies].forEach((body) => [...body.rows].forEach((row) => [...row.cells].forEach((cell, column) => {
      cell.dataset.label = heads[column];
    })));
  });
  document.documentElement.classList.add("labelled");
}

/* Paper has nothing to unfold: all is open while it is printed. */
let folded = [];
function unfoldAll() {
  folded = [...document.querySelectorAll("details:not([open])")];
  folded.forEach((one) => { one.open = true; });
}
addEventListener("beforeprint", unfoldAll);
addEventListener("afterprint", () => { folded.forEach((one) => { one.open = false; }); folded = []; });
document.addEventListener("toggle", () => makeScrollable(), true);

/* A link into something folded opens it. */
function openTarget() {
  const target = location.hash && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (target) target.closest("details")?.setAttribute("open", "");
}
addEventListener("hashchange", openTarget);

/* A column's head sorts the rows by it, and by it again the other way round. */
function makeSortable() {
  document.querySelectorAll("table.sortable").forEach((table) => {
    const value = (row, column) => row.cells[column].dataset.value ?? row.cells[column].textContent.trim();
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sort";
      button.textContent = head.textContent;
      head.replaceChildren(button);
      button.addEventListener("click", () => {
        const down = head.getAttribute("aria-sort") === "ascending";
        [...table.tHead.rows[0].cells].forEach((cell) => cell.removeAttribute("aria-sort"));
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const rows = [...table.tBodies[0].rows].sort((one, other) => {
          const [a, b] = [value(one, column), value(other, column)];
          if (a === "" || b === "") return (a === "") - (b === "");  // what has no figure stays below
          const order = isNaN(a) || isNaN(b) ? a.localeCompare(b) : a - b;
          return down ? -order : order;
        });
        table.tBodies[0].append(...rows);
      });
    });
  });
}

/* The track sheet on paper, without the rest of the page. */
function printSheet() {
  document.body.classList.add("sheet-alone");
  addEventListener("afterprint", () => document.body.classList.remove("sheet-alone"), { once: true });
  print();
}
document.getElementById("print-sheet")?.addEventListener("click", printSheet);

const listening = JSON.parse(document.getElementById("listening").textContent);
const overview = document.getElementById("overview");
labelCells();
makeSortable();
const timeLine = overview ? startTimeLine(JSON.parse(overview.textContent)) : null;
const premix = { build, fade, bytesOf, shuffled, listening,
  player: listening.players.length ? startPlayer(listening) : null, timeLine };
window.premix = premix;
document.querySelectorAll("button.go").forEach((button) => button.addEventListener("click", () => {
  (premix.player || timeLine)?.go(Number(button.dataset.at));
}));
document.querySelectorAll("button.choose").forEach((button) => button.addEventListener("click", () => {
  const what = document.getElementById("what");
  what.value = button.value;
  what.dispatchEvent(new Event("change"));
  document.getElementById("play").scrollIntoView({ block: "center" });
  document.getElementById("play").focus();
}));
openTarget();
makeScrollable();
addEventListener("resize", makeScrollable);
