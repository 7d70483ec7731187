// The description is for callers with a key. A signed-in browser has one; others type theirs, which is kept
// nowhere. Nothing is sent from the viewer: it has no button for it.
"use strict";

const ask = document.getElementById("ask");
const refused = document.getElementById("refused");

async function show(key) {
  const headers = key ? { Authorization: `Bearer ${key}` } : {};
  const answer = await fetch("/openapi.json", { headers });
  ask.hidden = answer.ok;
  refused.hidden = answer.ok || !key;
  if (!answer.ok) return;
  SwaggerUIBundle({
    spec: await answer.json(),
    dom_id: "#docs",
    deepLinking: true,
    docExpansion: "list",
    defaultModelsExpandDepth: 0,
    supportedSubmitMethods: [],
  });
}

ask.addEventListener("submit", (event) => {
  event.preventDefault();
  show(document.getElementById("key").value.trim());
});
show("");
