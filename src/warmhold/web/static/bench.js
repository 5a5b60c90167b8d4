"use strict";
// These forms are sent by the browser itself: a file is kept in no draft, and the page that answers
// takes this one's place. What listens to all forms hears nothing of them.

for (const what of ["input", "change", "submit"]) {
  window.addEventListener(what, (event) => {
    const form = event.target instanceof HTMLFormElement ? event.target : event.target.form;
    if (form && form.hasAttribute("data-native")) event.stopPropagation();
  }, true);
}
