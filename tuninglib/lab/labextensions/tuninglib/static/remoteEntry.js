// Runs a workbook when it is first looked at, and leaves it at its top. Only those that ask for it
// in their metadata, so that no other notebook is ever run unasked.
// And tells a screen reader what a slider is called and what it shows, and what a picture shows,
// which widgets and JupyterLab leave out.
(() => {
  "use strict";
  const seen = new WeakSet();
  async function ready(panel) {
    await panel.context.ready;
    await panel.sessionContext.ready;
    // Without its answer, running is lost now and then.
    await panel.sessionContext.session?.kernel?.info;
  }
  async function run(app, panel) {
    await ready(panel);
    if (app.shell.currentWidget !== panel) { seen.delete(panel); return; }
    await app.commands.execute("notebook:run-all-cells");
    const { content } = panel;
    content.activeCellIndex = 0;
    content.deselectAll?.();
    content.node.scrollTop = 0;
    await content.scrollToItem?.(0);
    // Nothing was typed: there is nothing to save.
    panel.context.model.dirty = false;
    panel.node.dataset.tuninglib = "ran";
  }
  async function look(app) {
    const panel = app.shell.currentWidget;
    if (!panel?.sessionContext || !panel.content?.model || seen.has(panel)) return;
    seen.add(panel);
    await panel.context.ready;
    if (!panel.content.model.getMetadata?.("tuninglib")?.run_when_opened) return;
    await run(app, panel);
  }
  function set(node, name, value) {
    if (node.getAttribute(name) !== value) node.setAttribute(name, value);
  }
  function nameSlider(slider) {
    const label = slider.querySelector(".widget-label")?.textContent.trim();
    const readout = slider.querySelector(".widget-readout");
    if (!label || !readout) return;
    // The unit stands in the label, in brackets; the number beside the slider has none.
    const unit = /\[([^\];,]*)/.exec(label)?.[1] ?? "";
    const shown = readout.textContent.trim();
    const said = unit[0] === "±" ? `± ${shown} ${unit.slice(1).trim()}`.trim() : `${shown} ${unit}`.trim();
    for (const handle of slider.querySelectorAll(".noUi-handle")) {
      set(handle, "aria-label", label);
      set(handle, "aria-valuetext", said);
    }
    set(readout, "role", "textbox");
    set(readout, "aria-label", `${label}, typed`);
  }
  function namePictures(cell) {
    const outputs = cell.model?.outputs;
    const alts = [];
    for (let i = 0; i < (outputs?.length ?? 0); i++) {
      const one = outputs.get(i);
      if (one.data["image/svg+xml"]) alts.push(one.metadata["image/svg+xml"]?.alt ?? "");
    }
    cell.node.querySelectorAll(".jp-RenderedSVG img").forEach((picture, i) => {
      set(picture, "alt", alts[i] ?? "");
    });
  }
  const NAMED = ".widget-readout, img, .jp-collapseHeadingButton";
  function nameWhatIsShown(app) {
    let waiting = false;
    const touched = (record) =>
      record.target.parentElement?.closest(".widget-slider") ||
      [...record.addedNodes].some(
        (one) => one.matches?.(NAMED) || one.querySelector?.(NAMED),
      );
    new MutationObserver((records) => {
      if (waiting || !records.some(touched)) return;
      waiting = true;
      requestAnimationFrame(() => {
        waiting = false;
        document.querySelectorAll(".widget-slider").forEach(nameSlider);
        app.shell.currentWidget?.content?.widgets?.forEach(namePictures);
        document.querySelectorAll(".jp-collapseHeadingButton").forEach((button) => {
          set(button, "aria-label", "Fold what is below this heading");
        });
      });
    }).observe(document.body, {
      childList: true, subtree: true, characterData: true,
      attributes: true, attributeFilter: ["aria-valuetext"],
    });
  }
  const plugin = {
    id: "tuninglib:run-when-opened",
    autoStart: true,
    activate: (app) => {
      nameWhatIsShown(app);
      app.restored.then(() => {
        app.shell.currentChanged?.connect(() => look(app));
        app.shell.layoutModified?.connect(() => look(app));
        look(app);
      });
    },
  };
  window._JUPYTERLAB = window._JUPYTERLAB ?? {};
  window._JUPYTERLAB.tuninglib = {
    init: () => {},
    get: async () => () => ({ __esModule: true, default: plugin }),
  };
})();
