"""Sliders that know whether a hand moves them and have names, and the style that puts controls beside a picture."""

from typing import Any

import ipywidgets as widgets
from IPython.display import Javascript

#: The class of the box of controls, as a page knows it.
CONTROLS = "thumbline-controls"
#: JupyterLab stacks the outputs of a cell; this puts the controls beside the picture and the reasons below that.
BESIDE = """<style>
.jp-OutputArea:has(> .jp-OutputArea-child .thumbline-controls) {
  display: grid; grid-template-columns: minmax(330px, 2fr) 4fr; column-gap: 8px; align-items: start;
}
.jp-OutputArea:has(> .jp-OutputArea-child .thumbline-controls) > .jp-OutputArea-child { grid-column: 2; width: auto; }
.jp-OutputArea:has(> .jp-OutputArea-child .thumbline-controls) > .jp-OutputArea-child:has(.thumbline-controls) {
  grid-column: 1; grid-row: 1 / span 9;
}
.jp-OutputArea:has(> .jp-OutputArea-child .thumbline-controls) .jp-OutputPrompt { display: none; }
</style>"""
#: The handle of a slider bears no name of its own in JupyterLab; this gives it that of the slider, for screen readers.
NAMED = Javascript("""(() => {
  const name = () => document.querySelectorAll(".widget-slider").forEach((slider) => {
    const words = slider.querySelector("label")?.textContent;
    for (const handle of slider.querySelectorAll(".noUi-handle")) if (words) handle.setAttribute("aria-label", words);
  });
  for (const wait_ms of [0, 500, 2000, 8000]) setTimeout(name, wait_ms);
})();""")


class _MovedByHand:
    """Knows of a slider whether it moves because the page has sent where it is."""

    by_hand = False

    def set_state(self, sync_data: Any) -> None:
        """Take over what a page has sent; observers run meanwhile."""
        self.by_hand = True
        try:
            super().set_state(sync_data)  # pyright: ignore[reportAttributeAccessIssue]  a widget's
        finally:
            self.by_hand = False


class Slider(_MovedByHand, widgets.FloatSlider):
    """A slider that knows who moves it."""


class LogSlider(_MovedByHand, widgets.FloatLogSlider):
    """The same for ratios."""
