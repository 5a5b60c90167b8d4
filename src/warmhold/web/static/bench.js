"use strict";
// A form with a file is sent by the browser itself: the file is kept in no draft, and the page that
// answers takes this one's place. What listens to all forms hears nothing of it.

for (const what of ["input", "change", "submit"]) {
  window.addEventListener(what, (event) => {
    const form = event.target instanceof HTMLFormElement ? event.target : event.target.form;
    if (form && form.enctype === "multipart/form-data") event.stopPropagation();
  }, true);
}
