"use strict";
/* A sheet that comes anew replaces the old one node by node. What is in both stays the same node, so that a key
   that is held, a list half chosen, the focus, an open fold and a frame that plays outlive it. */
const Renew = (() => {
  const policy = window.trustedTypes
    ? trustedTypes.createPolicy("sheets", { createHTML: (html) => html })
    : { createHTML: (html) => html };
  const OURS = new Set(["aria-busy", "data-asked", "data-sent", "data-words"]); // set here, unknown to the server
  const FIELDS = "input, textarea, select";

  /* Put `html` into a box in place of what is there; `whole`: another sheet, of which nothing is the same. */
  function into(box, html, whole) {
    const template = document.createElement("template");
    template.innerHTML = policy.createHTML(html);
    if (whole) box.replaceChildren(template.content);
    else children(box, template.content);
  }

  function children(old, fresh) {
    const news = [...fresh.childNodes];
    const pairs = pair([...old.children].filter((one) => !one.dataset.said), news);
    const kept = new Set(pairs.values());
    for (const one of [...old.children]) if (!kept.has(one) && !one.dataset.said) one.remove();
    let at = old.firstChild;
    for (const child of news) {
      while (at?.dataset?.said) at = at.nextSibling;
      const same = pairs.get(child);
      if (child.nodeType === Node.TEXT_NODE && at?.nodeType === Node.TEXT_NODE) {
        if (at.data !== child.data) at.data = child.data;
        at = at.nextSibling;
      } else if (!same) old.insertBefore(child, at);
      else {
        while (at && at !== same && (at.nodeType !== Node.ELEMENT_NODE || at.dataset.said)) {
          at = at.dataset?.said ? at.nextSibling : removed(at);
        }
        if (at === same) at = at.nextSibling;
        else old.insertBefore(same, at);
        element(same, child);
      }
    }
    while (at) at = at.dataset?.said ? at.nextSibling : removed(at);
  }

  function removed(node) {
    const next = node.nextSibling;
    node.remove();
    return next;
  }

  /* New child -> the old one that it continues. */
  function pair(olds, news) {
    const pairs = new Map();
    for (const child of news) {
      const at = child.nodeType === Node.ELEMENT_NODE ? olds.findIndex((one) => continues(one, child)) : -1;
      if (at >= 0) pairs.set(child, olds.splice(at, 1)[0]);
    }
    return pairs;
  }

  /* The same by its own name, by a name within it, or, where both are nameless, by its kind. */
  function continues(one, child) {
    if (one.nodeName !== child.nodeName) return false;
    if (one.id || child.id) return one.id === child.id && one.type === child.type;
    const names = namesIn(one);
    const wanted = namesIn(child);
    return names.length || wanted.length ? names.some((name) => wanted.includes(name)) : true;
  }

  const namesIn = (element) => [...element.querySelectorAll("[id]")].map((one) => one.id);

  function element(old, fresh) {
    if (old.dataset.asked || old.isEqualNode(fresh)) return;
    const { value, checked } = fresh;
    const typed = old.matches(FIELDS) && isTyped(old) ? old.value : null;
    for (const { name } of [...old.attributes]) if (!fresh.hasAttribute(name) && !isOurs(old, name)) old.removeAttribute(name);
    for (const { name, value: now } of fresh.attributes) {
      if (old.getAttribute(name) !== now && !isOurs(old, name)) old.setAttribute(name, now);
    }
    if (!("live" in old.dataset)) children(old, fresh);
    if (!old.matches(FIELDS) || old.type === "file") return;
    if (typed !== null && old.value !== typed) old.value = typed; // a list whose entries came anew
    if (typed !== null && old.value === typed) return;
    if (old.type === "checkbox" || old.type === "radio") old.checked = checked;
    else if (old.value !== value) old.value = value;
  }

  const isOurs = (one, name) =>
    OURS.has(name) || (name === "open" && one.matches("details")) || (name === "aria-pressed" && "play" in one.dataset);

  /* The value that a field's sheet came with. */
  function ownValue(field) {
    if (!field.matches("select")) return field.defaultValue;
    return ([...field.options].find((option) => option.defaultSelected) || field.options[0])?.value;
  }

  /* Whether a field holds what is not kept yet; a tick that acts at once never does. */
  function isTyped(field) {
    if (field.type === "checkbox" || field.type === "radio") return !field.dataset.do && field.checked !== field.defaultChecked;
    return field.type !== "file" && field.value !== ownValue(field);
  }

  /* What a field held was taken: the next sheet says what stands in it. */
  function settled(field) {
    if (field.dataset.sent !== field.value) return; // somebody typed on meanwhile
    delete field.dataset.sent;
    if (field.type !== "checkbox" && field.type !== "radio" && field.type !== "file") field.value = ownValue(field);
    else field.checked = field.defaultChecked;
  }

  return { into, ownValue, settled };
})();
