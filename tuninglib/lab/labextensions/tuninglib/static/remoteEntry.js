// Runs a workbook when it is first looked at, and leaves it at its top. Only those that ask for it
// in their metadata, so that no other notebook is ever run unasked.
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
  const plugin = {
    id: "tuninglib:run-when-opened",
    autoStart: true,
    activate: (app) => {
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
