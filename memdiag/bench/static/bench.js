// Comfort only: every page works without it. Nothing is asked of any other place.
"use strict";

(() => {
  const root = document.documentElement;
  const kept = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
  const keep = (name, value) => { try { localStorage.setItem(name, value); } catch { /* not kept */ } };

  // Dark bench: as it was left, else as the PC is set.
  const dark = document.querySelector("[data-dark]");
  const set = (on) => {
    root.classList.toggle("dark", on);
    dark.setAttribute("aria-pressed", String(on));
  };
  set((kept("dark") ?? String(matchMedia("(prefers-color-scheme: dark)").matches)) === "true");
  dark.hidden = false;
  dark.addEventListener("click", () => {
    const on = !root.classList.contains("dark");
    set(on);
    keep("dark", String(on));
  });

  // Paste: judged as soon as it is there; a file may be dropped anywhere on the form.
  const form = document.querySelector("[data-paste]");
  if (form) {
    const once = form.querySelector("[data-once]");
    const box = once.querySelector("input");
    once.hidden = false;
    box.checked = kept("at-once") !== "false";
    box.addEventListener("change", () => keep("at-once", String(box.checked)));
    form.elements.text.addEventListener("paste", () => setTimeout(() => {
      const lines = form.elements.text.value.trim().split("\n").length;
      if (box.checked && lines > 2) form.requestSubmit();
    }));
    const over = (event) => {
      if (!event.dataTransfer || !event.dataTransfer.types.includes("Files")) return;
      event.preventDefault();
      form.classList.toggle("over", event.type !== "dragleave");
    };
    for (const name of ["dragenter", "dragover", "dragleave"]) form.addEventListener(name, over);
    form.addEventListener("drop", (event) => {
      if (!event.dataTransfer.files.length) return;
      event.preventDefault();
      form.elements.file.files = event.dataTransfer.files;
      form.requestSubmit();
    });
    form.elements.file.addEventListener("change", () => { if (box.checked) form.requestSubmit(); });
  }

  // Copy: where the browser lets a page do it; else the link opens the text.
  const said = document.querySelector("[data-said]");
  for (const link of document.querySelectorAll("[data-copy]")) {
    link.addEventListener("click", async (event) => {
      if (!navigator.clipboard || event.ctrlKey || event.metaKey) return;
      event.preventDefault();
      try {
        const answer = await fetch(link.href);
        if (!answer.ok) throw new Error(String(answer.status));
        await navigator.clipboard.writeText(await answer.text());
        said.textContent = "copied";
      } catch {
        location.assign(link.href);
      }
    });
  }

  // The warm site: picked on the drawing without loading the page anew, so that what was entered
  // stays.
  const warm = document.querySelector("[data-warm]");
  if (warm) {
    const hottest = warm.querySelector("[name=hottest]");
    for (const link of warm.querySelectorAll("svg a")) {
      link.addEventListener("click", (event) => {
        event.preventDefault();
        hottest.value = link.getAttribute("aria-label");
        hottest.focus();
      });
    }
  }

  // What a console sends: each part of the page is put in anew once it is another.
  const parts = document.querySelectorAll("[data-fresh]");
  if (parts.length) {
    const away = document.querySelector("[data-away]");
    const look = async () => {
      try {
        const answer = await fetch(location.href);
        if (!answer.ok) throw new Error(String(answer.status));
        const now = new DOMParser().parseFromString(await answer.text(), "text/html");
        document.title = now.title;
        for (const part of parts) {
          const fresh = now.getElementById(part.id);
          if (!fresh || fresh.innerHTML === part.innerHTML) continue;
          const at = part.contains(document.activeElement) && document.activeElement.getAttribute("href");
          part.replaceChildren(...fresh.childNodes);
          for (const link of part.querySelectorAll("a")) if (at && link.getAttribute("href") === at) link.focus();
        }
        away.hidden = true;
      } catch {
        away.hidden = false;
      }
      setTimeout(look, 1000);
    };
    setTimeout(look, 1000);
  }

  for (const button of document.querySelectorAll("[data-print]")) {
    button.hidden = false;
    button.addEventListener("click", () => print());
  }
})();
