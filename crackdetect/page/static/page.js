// What every page does.
"use strict";

history.replaceState(null, "", "/"); // the token leaves the address bar

const element = (id) => document.getElementById(id);
const still = matchMedia("(prefers-reduced-motion: reduce)");
const dark = matchMedia("(prefers-color-scheme: dark)");

function write(id, text) { const place = element(id); if (place.textContent !== text) place.textContent = text; }

function make(tag, text, kind) {
  const made = document.createElement(tag);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

// A canvas as many pixels wide as the screen has there, cleared; its pen counts in those of the page.
function penFor(canvas) {
  const scale = devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  if (!width || !height) return null;
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale); canvas.height = Math.round(height * scale);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  return { pen, width, height };
}

const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
// How large letters in a picture are, pixels: in step with the page's own.
const letters = () => 0.78 * parseFloat(getComputedStyle(document.documentElement).fontSize);
