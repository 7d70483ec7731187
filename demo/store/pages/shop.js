// The store's own script: the basket's button waits for the engraving, an order's page shows what was told.

const add = document.getElementById("add");
const engraving = document.querySelector("ricasso-preview");
engraving?.addEventListener("ricasso-inscription", ({ detail }) => {
  add.disabled = detail.inscriptions === null && detail.reason !== "empty";
});

const followed = document.querySelectorAll("[data-follow]");
if (followed.length) setInterval(async () => {
  const answer = await fetch(location.href).catch(() => null);
  if (!answer?.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const part of followed) {
    const now = page.getElementById(part.id);
    if (now.textContent !== part.textContent) part.replaceChildren(...now.childNodes);
  }
}, 1500);
