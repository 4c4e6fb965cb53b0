"""What surrounds the picture of a night: its heading, buttons, filters, legend, and places for the script to fill."""

from typing import Final

__all__ = ["PICTURE"]

_BUTTONS: Final = (
    ("earlier", "←", "earlier"),
    ("later", "→", "later"),
    ("closer", "+", "zoom in"),
    ("wider", "\N{MINUS SIGN}", "zoom out"),
    ("whole", "whole night", "the whole night"),
    ("before", "\N{LEFTWARDS ARROW} attempt", "the previous attempt in this lane"),
    ("after", "attempt \N{RIGHTWARDS ARROW}", "the next attempt in this lane"),
)

PICTURE: Final = (
    '<section id="night"><h2>The night on one axis</h2>'
    '<p id="hint">Drag to move. To zoom, click the picture, then scroll (or scroll with Ctrl held). With the keyboard: '
    "← → move, + - zoom, 0 shows the whole night, ↑ ↓ choose a lane, N and P an attempt in it, F and Shift+F a fault "
    "or an action. Enter opens the story of an attempt's job, Esc closes it.</p>"
    '<form id="filters" aria-label="Which attempts are shown">'
    '<label>Routine <select id="routine"><option value="">all</option></select></label>'
    '<label>Worker <select id="worker"><option value="">all</option></select></label>'
    '<label>Outcome <select id="outcome"><option value="">all</option></select></label>'
    '<output id="shown" for="routine worker outcome"></output></form>'
    '<div class="buttons" role="group" aria-label="Move in the picture">'
    + "".join(f'<button type="button" id="{name}" aria-label="{told}">{sign}</button>' for name, sign, told in _BUTTONS)
    + "</div>"
    '<div id="axis" role="application" tabindex="0" aria-label="The night: jobs by state, systems, and a lane for each '
    'worker" aria-describedby="hint">'
    '<canvas id="above" role="img" aria-label="Faults and actions, jobs by state, calls to systems over time"></canvas>'
    '<canvas id="upper" role="img" aria-label="Lanes of workers with their attempts and leases"></canvas>'
    '<div id="story" hidden tabindex="-1" aria-labelledby="storyname"><h3 id="storyname"></h3>'
    '<button type="button" id="close">close</button><div id="told"></div></div>'
    '<canvas id="lower" role="img" aria-label="Lanes of the workers below the open story"></canvas></div>'
    '<label id="lanes" hidden>Lanes from <input id="first" type="range" min="0" max="0" value="0"></label>'
    '<p id="left"></p>'
    '<p id="tell" aria-live="polite">Hover over or choose an attempt for details.</p>'
    '<ul id="legend" aria-label="What the patterns mean"></ul>'
    '<p id="beats"></p>'
    '<h3 id="faults">Faults and actions</h3><ol id="marks" class="many" aria-labelledby="faults"></ol>'
    '<details class="job"><summary><h3>State at a chosen time</h3></summary>'
    '<p><label for="moment">Time</label> <input id="moment" type="range" min="0" max="1000" value="0"> '
    '<output id="clock" for="moment"></output></p>'
    '<div class="beside"><div class="wide" role="region" aria-label="Queues at this time" tabindex="0">'
    "<table><caption>Queues at this time</caption><thead><tr>"
    '<th scope="col">queue</th><th scope="col">queued</th><th scope="col">held</th><th scope="col">running</th>'
    '</tr></thead><tbody id="queues"></tbody></table></div>'
    '<div class="wide" role="region" aria-label="Workers at this time" tabindex="0">'
    "<table><caption>Workers at this time</caption><thead><tr>"
    '<th scope="col">worker</th><th scope="col">state</th><th scope="col">works on</th></tr></thead>'
    '<tbody id="workers"></tbody></table></div></div></details>'
    "<noscript><p>The picture needs a script; the rest of this page works without one.</p></noscript></section>"
)
