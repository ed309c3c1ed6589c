"""What is measured of a page in the browser: scripts for `page.evaluate`, each gives a list of what is wrong."""

from __future__ import annotations

CONTROLS = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']"

SMALL_TARGETS = """([least, controls]) => {
  // Words within a sentence are exempt (WCAG 2.2, 2.5.8), and so is what a drawing holds: it stands in words beside.
  const inSentence = (link) => {
    if (link.tagName !== 'A' || getComputedStyle(link).display !== 'inline') return false;
    let block = link.parentElement;
    while (getComputedStyle(block).display.startsWith('inline')) block = block.parentElement;
    const rest = [...block.querySelectorAll('a')].reduce((text, each) => text.replace(each.textContent.trim(), ''),
      block.textContent);
    return /[^\\s,.;·–()-]/.test(rest);
  };
  return [...document.querySelectorAll(controls)]
    .filter((each) => each.checkVisibility({visibilityProperty: true}) && !each.closest('svg, .skip, #chart'))
    .filter((each) => !inSentence(each))
    .map((each) => ['checkbox', 'radio'].includes(each.type) ? each.closest('label') || each : each)
    .map((each) => [each.outerHTML.slice(0, 110), each.getBoundingClientRect(), each.matches('td a:not(.row-link)')])
    .map(([html, box, cell]) => [html, box, cell && innerWidth >= 1280 ? 24 : least])
    .filter(([, box, least]) => box.height < least - 0.5 || box.width < least - 0.5)
    .map(([html, box]) => `${Math.round(box.width)} x ${Math.round(box.height)}: ${html}`);
}"""
"""Given the least size in CSS pixels and `CONTROLS`. Links in the cells of a table at a desk may be WCAG's 24 px."""

SMALL_TEXTS = """(least) => [...document.querySelectorAll('body *')]
  .filter((each) => each.checkVisibility() && !each.closest('svg.vessel, #chart')
    && [...each.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()))
  .filter((each) => parseFloat(getComputedStyle(each).fontSize) < least)
  .map((each) => each.outerHTML.slice(0, 110))"""

TOO_WIDE = """() => {
  const width = document.documentElement.clientWidth;
  if (document.documentElement.scrollWidth <= width) return [];
  const out = [...document.querySelectorAll('body *')].filter((each) => each.getBoundingClientRect().right > width + 1);
  const wide = out.slice(-3).map((each) => each.outerHTML.slice(0, 110));
  return [`${document.documentElement.scrollWidth} of ${width}`, ...wide];
}"""

CUT_OFF = """() => [...document.querySelectorAll('main *')]
  .filter((each) => each.checkVisibility() && ['hidden', 'clip'].includes(getComputedStyle(each).overflowX)
    && each.scrollWidth > each.clientWidth + 1 && each.clientWidth > 1 && !each.closest('svg, #chart'))
  .map((each) => `${each.scrollWidth} of ${each.clientWidth}: ${each.outerHTML.slice(0, 110)}`)"""
"""Words that stand in no more room than there is, and are cut off there."""

MOVING = "() => document.getAnimations().map((each) => each.animationName || each.transitionProperty || 'animation')"

UNSEEN_FOCUS = """() => {
  const each = document.activeElement;
  if (each.closest('#chart')) return false;
  const around = [each, each.closest('label')].filter(Boolean).map((one) => getComputedStyle(one));
  return !around.some((shown) => shown.outlineStyle !== 'none' && parseFloat(shown.outlineWidth) >= 2);
}"""
"""What has the focus does not show it."""
