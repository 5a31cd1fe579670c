"""How the pages of this service look: colours that keep their contrast by day and by night, and room to read."""

from __future__ import annotations

STYLESHEET = """\
:root {
  color-scheme: light dark;
  --ink: light-dark(#1c2330, #e6e9ef);
  --quiet: light-dark(#4a5568, #aeb7c6);
  --paper: light-dark(#ffffff, #14181f);
  --panel: light-dark(#f3f5f8, #1d232d);
  --line: light-dark(#c8cfda, #3b4454);
  --accent: light-dark(#0b5394, #8dc1f5);
}

* { box-sizing: border-box; }

body {
  margin: 0 auto;
  max-width: 62rem;
  padding: 1rem 1.25rem 4rem;
  font: 1rem/1.55 system-ui, sans-serif;
  color: var(--ink);
  background: var(--paper);
}

h1, h2, h3, h4 { line-height: 1.25; margin: 1.6em 0 0.5em; }
h1 { margin-top: 0.5em; }
h2 { border-bottom: 2px solid var(--line); padding-bottom: 0.2em; margin-top: 2.4em; }
h4 { margin-bottom: 0.3em; }

a { color: var(--accent); }
:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }

.skip { position: absolute; left: -100rem; }
.skip:focus { position: static; }

code, pre { font-family: ui-monospace, monospace; font-size: 0.92em; }
pre {
  padding: 0.8rem 1rem;
  overflow-x: auto;
  background: var(--panel);
  border: 1px solid var(--line);
  border-radius: 0.3rem;
}

section.operation {
  margin: 1.5rem 0;
  padding: 0 1.1rem 1rem;
  border: 1px solid var(--line);
  border-radius: 0.4rem;
}

.method {
  display: inline-block;
  min-width: 4.2em;
  padding: 0.1em 0.5em;
  text-align: center;
  color: var(--paper);
  background: var(--accent);
  border-radius: 0.25rem;
}

.table { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; margin: 0.4rem 0 1rem; }
caption { text-align: left; font-weight: 600; padding: 0.4rem 0; }
th, td { text-align: left; vertical-align: top; padding: 0.4rem 0.7rem 0.4rem 0; border-bottom: 1px solid var(--line); }
thead th { color: var(--quiet); font-weight: 600; }

nav ul { columns: 18rem; list-style: none; padding: 0; }
nav li { padding: 0.2rem 0; break-inside: avoid; overflow-wrap: anywhere; }

.quiet { color: var(--quiet); }
"""
