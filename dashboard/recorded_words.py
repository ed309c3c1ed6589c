"""Words that the record keeps in English, in the site's language: verdicts, kinds of thing, findings. Pure."""

from __future__ import annotations

from dashboard.texts import ENGLISH, N_, _, language
from soak.closure import Finding, Verdict
from soak.findings import CODES

_VERDICTS = {
    Verdict.MET: N_("met"),
    Verdict.NOT_MET: N_("not met"),
    Verdict.UNPROVEN: N_("unproven"),
    Verdict.RUNNING: N_("running"),
}


def verdict_word(verdict: str) -> str:
    """A verdict in the site's language; patterns and addresses keep the English one."""
    return _(_VERDICTS[Verdict(verdict)])


_KINDS = {
    "alarm": N_("alarm"),
    "basin": N_("basin"),
    "bottle": N_("bottle"),
    "clock-wrong": N_("wrong clock"),
    "closure": N_("closure"),
    "closure-note": N_("note on a closure"),
    "device": N_("device"),
    "device-type": N_("type of device"),
    "drill": N_("drill"),
    "fill": N_("fill"),
    "handover": N_("handover"),
    "issued": N_("paper"),
    "load": N_("load"),
    "look-back": N_("look-back"),
    "mapping": N_("mapping study"),
    "mec-test": N_("MEC test"),
    "node": N_("node"),
    "note": N_("note"),
    "period-report": N_("period report"),
    "person": N_("person"),
    "policy": N_("the site’s rules"),
    "profile": N_("profile"),
    "reading": N_("reading"),
    "record": N_("record"),
    "reference": N_("reference thermometer"),
    "review": N_("daily log review"),
    "sensor": N_("sensor"),
    "sensor-check": N_("sensor check"),
    "strip-bottle": N_("strip bottle"),
    "thermometer": N_("thermometer"),
    "transcript": N_("transcript"),
    "turn": N_("round"),
}


def kind_word(kind: str) -> str:
    """What a kind of thing is called: "MEC test" for "mec-test"; of one that this version does not know, its name."""
    return _(_KINDS[kind]) if kind in _KINDS else kind.replace("-", " ")


def finding_words(finding: Finding) -> str:
    """Why, as it was recorded; in another language what such a finding means stands in front of that."""
    if language() == ENGLISH:
        return finding.text
    return _("{meaning} As recorded: {text}").format(meaning=_(CODES.get(finding.code, "")), text=finding.text).strip()
