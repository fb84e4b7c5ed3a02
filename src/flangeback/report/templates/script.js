"use strict";
// The page is whole without this: it adds buttons that copy entries and filter frames.
const button = (text, pressed) => {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", () => pressed(made));
  return made;
};
const copy = async (text, box) => {
  try {
    await navigator.clipboard.writeText(text);
  } catch {
    box.select();
    document.execCommand("copy");
  }
};

const entries = [...document.querySelectorAll("[data-entry]")];
if (entries.length) {
  const chosen = new Set();
  const box = document.createElement("textarea");
  box.readOnly = true;
  box.rows = 3;
  box.setAttribute("aria-label", "Chosen entries");
  const basket = document.createElement("div");
  basket.className = "basket";
  const heading = document.createElement("b");
  basket.append(heading, box, button("Copy all", (me) => {
    copy(box.value, box);
    me.textContent = "Copied";
  }));
  const show = () => {
    box.value = entries.filter((one) => chosen.has(one)).map((one) => one.textContent).join("\n");
    heading.textContent = `For the log: ${chosen.size} chosen`;
    basket.hidden = !chosen.size;
  };
  for (const entry of entries) {
    const choose = button("Copy", () => {
      const others = entry.closest(".answers").querySelectorAll("[data-entry]");
      const was = chosen.has(entry);
      for (const other of others) {
        chosen.delete(other);
        other.nextElementSibling.setAttribute("aria-pressed", "false");
      }
      if (!was) chosen.add(entry);
      choose.setAttribute("aria-pressed", String(!was));
      show();
      if (!was) copy(entry.textContent, box);
    });
    choose.setAttribute("aria-pressed", "false");
    choose.setAttribute("aria-label", `Copy ${entry.textContent}`);
    entry.after(choose);
  }
  document.getElementById("for-you").append(basket);
  show();
}

const frames = [...document.querySelectorAll("[data-outcome]")];
const outcomes = [...new Set(frames.map((frame) => frame.dataset.outcome))];
if (outcomes.length > 1) {
  const filter = document.createElement("div");
  filter.className = "filter";
  filter.setAttribute("role", "group");
  filter.setAttribute("aria-label", "Show only frames that came to");
  for (const outcome of outcomes) {
    const toggle = button(outcome, () => {
      const only = toggle.getAttribute("aria-pressed") !== "true";
      for (const other of filter.children) other.setAttribute("aria-pressed", String(only && other === toggle));
      for (const frame of frames) frame.hidden = only && frame.dataset.outcome !== outcome;
      for (const span of document.querySelectorAll(".span")) span.hidden = !span.querySelector("[data-outcome]:not([hidden])");
    });
    toggle.setAttribute("aria-pressed", "false");
    filter.append(toggle);
  }
  document.getElementById("h-frames").after(filter);
}
