"""Scripted viewers of the report's blind test: one that sees every yellow pixel, and one that only guesses."""

from __future__ import annotations

from typing import Any

# Takes one test through the page's own controls. `sees`: reads the canvas as an eye would and clicks on the middle of
# what is yellow; else it clicks somewhere or says that nothing is there, by coins of its own (`guess`, numbers from 0
# to 1). Gives what an onlooker could time or read, per clip: ms to the first picture, and the dialog's markup.
TAKE = """async ({ label, sees, guess }) => {
  const get = (id) => document.getElementById('blind-' + id), canvas = get('lens'), dialog = get('dialog');
  const beat = () => new Promise((r) => requestAnimationFrame(() => setTimeout(r)));
  get('label').value = label;
  get('begin').click();
  const out = [];
  const click = (u, v) => { const b = canvas.getBoundingClientRect();
    canvas.dispatchEvent(new PointerEvent('pointerdown', { button: 0, clientX: b.left + u * b.width,
      clientY: b.top + v * b.height })); };
  while (dialog.dataset.state !== 'done') {
    const turned = canvas.classList.contains('turned'), asked = performance.now();
    let yellow = null, markup = '', first = null;
    get('go').click();
    while (dialog.dataset.state !== 'over') {
      await beat();
      const d = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      if (first == null && !(d[0] === 128 && d[1] === 128 && d[2] === 128)) {
        first = performance.now() - asked; markup = dialog.outerHTML; }
      if (!sees || yellow) continue;
      let n = 0, x = 0, y = 0;
      for (let i = 0; i < d.length; i += 4) if (d[i + 1] > 1.6 * d[i + 2] + 30 && d[i] > d[i + 1]) {
        n++; x += (i / 4) % canvas.width; y += Math.floor(i / 4 / canvas.width); }
      if (n > 200) yellow = [x / n / canvas.width, y / n / canvas.height];
    }
    markup = markup.replace(/Clip \\d/, 'Clip').replace(' class="turned"', '').replace(' class=""', '');
    out.push({ first, markup, turned });
    if (sees) { if (yellow) click(turned ? 1 - yellow[0] : yellow[0], yellow[1]); else get('nothing').click(); }
    else if (guess.pop() < 0.5) get('nothing').click();
    else click(guess.pop(), guess.pop());
    await beat();
  }
  get('close').click();
  return out;
}"""


def take(page: Any, label: str, guess: list[float] | None = None) -> list[dict[str, Any]]:
    """One viewer's test; ``guess`` are random numbers from 0 to 1 for one who sees nothing, three a clip."""
    return list(page.evaluate(TAKE, {"label": label, "sees": guess is None, "guess": guess or []}))


def saved(page: Any, folder: Any) -> Any:
    """The answers of all viewers so far, saved by the page's own button into ``folder``; gives the file."""
    with page.expect_download() as waiting:
        page.locator("#blind-save").click()
    place = folder / waiting.value.suggested_filename
    waiting.value.save_as(place)
    return place
