// Forms: fields with labels, one button that does it, and a line that says what came of it.

import { element } from "./words.js";

let made = 0;

// A labelled field. `options` makes it a choice of [value, words].
export function field(label, { options, hint, ...attributes } = {}) {
  const id = `field-${made++}`;
  const place = element("p", undefined, { class: "field" });
  const input = element(options === undefined ? "input" : "select", undefined, { id, ...attributes });
  for (const [value, words] of options ?? []) input.append(element("option", words, { value }));
  place.append(element("label", label, { for: id }), input);
  if (hint !== undefined) {
    place.append(element("span", hint, { id: `${id}-hint`, class: "small" }));
    input.setAttribute("aria-describedby", `${id}-hint`);
  }
  return { place, input };
}

// A form whose button calls `act`; what that says, or why it failed, stands under it and is said aloud.
export function form(action, fields, act) {
  const made = element("form", undefined, { class: "form" });
  const button = element("button", action, { type: "submit" });
  const told = element("p", undefined, { role: "status", class: "told" });
  made.append(...fields.map(({ place }) => place), button, told);
  made.noValidate = true;
  made.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (button.disabled) return;
    button.disabled = true;
    told.textContent = "…";
    told.classList.remove("wrong");
    try {
      told.textContent = (await act()) ?? "done";
    } catch (error) {
      told.textContent = error.message;
      told.classList.add("wrong");
    } finally {
      button.disabled = false;
    }
  });
  return made;
}

// A button that does something at once; what came of it stands in `told`.
export function button(words, act, told, attributes = {}) {
  const made = element("button", words, { type: "button", ...attributes });
  made.addEventListener("click", async () => {
    made.disabled = true;
    try {
      told.textContent = (await act()) ?? "";
      told.classList.remove("wrong");
    } catch (error) {
      told.textContent = error.message;
      told.classList.add("wrong");
    } finally {
      made.disabled = false;
    }
  });
  return made;
}
