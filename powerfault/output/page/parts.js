// The data of the page and the small helpers that all its parts share.
const data = JSON.parse(document.getElementById("data").textContent);
const SVG = "http://www.w3.org/2000/svg", LAST = data.stages.length - 1;
const $ = id => document.getElementById(id);
const el = (name, attributes, text) => {
  const made = document.createElement(name);
  for (const k in attributes || {}) made.setAttribute(k, attributes[k]);
  if (text !== undefined) made.textContent = text;
  return made;
};
const svgEl = (name, attributes) => {
  const made = document.createElementNS(SVG, name);
  for (const k in attributes) made.setAttribute(k, attributes[k]);
  return made;
};
const capital = s => s.charAt(0).toUpperCase() + s.slice(1);
const list = (names, most) => names.slice(0, most).join(", ") + (names.length > most ? ` and ${names.length - most} more` : "");
