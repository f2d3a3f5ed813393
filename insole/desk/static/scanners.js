// The log of scanner checks: a drift plot for each scanner and artefact, and a new check.
import { ask, complain, data, follow, make, refuse, svg } from "./common.js";

const form = document.getElementById("checked"), jobs = document.getElementById("jobs"), place = document.getElementById("series");
const value = (id) => document.getElementById(id).value;
const kind = () => form.querySelector("[name=kind]:checked").value;
const DAY = 86400000, signed = (v, digits) => `${v < 0 ? "−" : "+"}${Math.abs(v).toFixed(digits)}`;

function fields() { for (const one of form.querySelectorAll("[data-of]")) one.hidden = !one.dataset.of.split(" ").includes(kind()); }
form.addEventListener("change", fields);
form.addEventListener("submit", (event) => event.preventDefault());
fields();

document.getElementById("files").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  event.target.value = "";
  if (!file) return;
  const asked = { name: file.name, scanner: value("scanner"), kind: kind(), unit: value("unit"), date: value("day"), ball: value("ball"), spacing: value("spacing") };
  jobs.replaceChildren();
  try {
    const found = await follow(await ask("POST", `/api/scanners/scans?${new URLSearchParams(asked)}`, file), jobs);
    const note = make("div", `note ${found.passed ? "good" : "stop"}`);
    note.append(make("h2", "", found.passed ? "Passed, and logged" : "Not passed, and logged"));
    for (const line of found.lines) note.append(make("p", "", line.replace(/ {2,}/g, "  ")));
    jobs.replaceChildren(note);
    show(await ask("GET", "/api/scanners"));
  } catch (error) { if (error.cancelled) complain(error); else refuse(jobs, error.message); }
});

function show(log) {
  if (!log.series.length) return;
  place.replaceChildren(...log.series.map((one) => series(one, log)));
}

function series(one, log) {
  const card = make("section", "card"), size = [one.diameter_mm && `${one.diameter_mm} mm`, one.spacing_mm && `${one.spacing_mm} mm apart`].filter(Boolean).join(", ");
  card.append(make("h2", "", `${one.scanner}: ${one.artefact}${size ? `, ${size}` : ""}`));
  card.append(make("p", "", log.vouches[one.scanner] ?? ""));
  for (const text of one.sentences) card.append(make("p", "note warn", text));
  const scaled = one.checks.filter((c) => c.scale_factor !== null);
  if (scaled.length) card.append(plot(one, scaled, log));
  if (one.scale_change_percent !== null) card.append(make("p", "", `Drift by a straight line: ${signed(one.scale_change_percent, 3)} ± ${one.scale_change_band_percent.toFixed(3)} % between first and last check (± covers 95 %).`));
  else if (scaled.length) card.append(make("p", "hint", "Checks on two days or more tell drift."));
  const table = make("table"), head = make("tr"), box = make("div", "scroll");
  for (const text of ["Day", "Scale off, %", "Form error, mm", "Spacing error, mm", "Scan", "Outcome"]) { const th = make("th", text === "Scan" || text === "Outcome" || text === "Day" ? "" : "num", text); th.scope = "col"; head.append(th); }
  const top = make("thead"), rows = make("tbody");
  top.append(head);
  for (const c of [...one.checks].reverse()) {
    const row = make("tr"), day = make("th", "", c.date);
    day.scope = "row";
    const off = c.scale_factor === null ? "–" : `${signed(100 * (c.scale_factor - 1), 3)}${c.scale_sd === null ? "" : ` ± ${(196 * c.scale_sd).toFixed(3)}`}`;
    row.append(day, make("td", "num", off), make("td", "num", (c.form_error_mm ?? c.flatness_error_mm)?.toFixed(2) ?? "–"), make("td", "num", c.spacing_error_mm?.toFixed(2) ?? "–"), make("td", "", c.scan), make("td", c.not_passed ? "verdict stop" : "verdict good", c.not_passed ? `Not passed: ${c.not_passed}` : "Passed"));
    rows.append(row);
  }
  table.append(top, rows);
  box.tabIndex = 0;
  box.setAttribute("role", "region");
  box.setAttribute("aria-label", `Checks of ${one.scanner}, ${one.artefact}`);
  box.append(table);
  card.append(box);
  return card;
}

/** Scale off in % over the days, with the band that is allowed; what did not pass is crossed. */
function plot(one, checks, log) {
  const W = 640, H = 190, L = 52, R = 14, T = 14, B = 30, limit = log.error_limit;
  const days = checks.map((c) => Date.parse(c.date) / DAY), offs = checks.map((c) => 100 * (c.scale_factor - 1)), bands = checks.map((c) => 196 * (c.scale_sd ?? 0));
  const first = Math.min(...days), last = Math.max(...days, first + 1), most = Math.max(1.3 * limit, ...offs.map((v, k) => 1.1 * (Math.abs(v) + bands[k])));
  const x = (d) => L + (W - L - R) * (days.length > 1 && last > first ? (d - first) / (last - first) : 0.5), y = (v) => T + (H - T - B) * (most - v) / (2 * most);
  const root = svg("svg", { viewBox: `0 0 ${W} ${H}`, class: "drift", role: "img", "aria-label": `Scale of ${one.scanner} over ${checks.length} checks, latest ${signed(offs.at(-1), 2)} %; ${limit} % is allowed` });
  root.append(svg("rect", { x: L, y: y(limit), width: W - L - R, height: y(-limit) - y(limit), class: "allowed" }));
  for (const v of [limit, 0, -limit]) root.append(svg("path", { d: `M${L} ${y(v)}H${W - R}`, class: v ? "edge" : "zero" }), svg("text", { x: L - 6, y: y(v) + 4, "text-anchor": "end" }, v ? `${signed(v, 1)} %` : "0 %"));
  if (one.scale_change_percent !== null && days.length > 1) {
    const mean = offs.reduce((a, b) => a + b, 0) / offs.length, middle = days.reduce((a, b) => a + b, 0) / days.length, slope = one.scale_change_percent / (Math.max(...days) - first);
    root.append(svg("path", { d: `M${x(first)} ${y(mean + slope * (first - middle))}L${x(last)} ${y(mean + slope * (last - middle))}`, class: "trend" }));
  }
  checks.forEach((c, k) => {
    const [px, py] = [x(days[k]), y(offs[k])];
    root.append(svg("path", { d: `M${px} ${y(offs[k] - bands[k])}V${y(offs[k] + bands[k])}`, class: "band" }));
    root.append(c.not_passed ? svg("path", { d: `M${px - 5} ${py - 5}l10 10M${px - 5} ${py + 5}l10 -10`, class: "missed" }) : svg("circle", { cx: px, cy: py, r: 4.5, class: "dot" }));
  });
  root.append(svg("text", { x: x(days[0]), y: H - 8, "text-anchor": days.length > 1 ? "start" : "middle" }, checks[0].date));
  if (days.length > 1) root.append(svg("text", { x: W - R, y: H - 8, "text-anchor": "end" }, checks.at(-1).date));
  root.append(svg("text", { x: L + 6, y: y(limit) + 13, class: "say" }, "allowed"));
  return root;
}

show(data);
