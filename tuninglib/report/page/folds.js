// Folded parts of the page open where a link leads into them, and all of them on paper.
(() => {
  "use strict";
  const openFor = () => {
    const id = decodeURIComponent(location.hash.slice(1));
    let part = id && document.getElementById(id);
    for (; part; part = part.parentElement) if (part.tagName === "DETAILS") part.open = true;
  };
  let shut = [];
  addEventListener("hashchange", openFor);
  addEventListener("beforeprint", () => {
    shut = [...document.querySelectorAll("details:not([open])")];
    for (const part of shut) part.open = true;
  });
  addEventListener("afterprint", () => {
    for (const part of shut) part.open = false;
  });
  openFor();
})();
