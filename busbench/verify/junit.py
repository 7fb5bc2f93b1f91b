"""Checks as JUnit XML, for programs that process test results.

Source: the common form of JUnit reports; no published standard. "Not tested"
is written as an error, not as "skipped", which such programs count as good.
"""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree as ET

from busbench.verify.result import VIRTUAL, Verdict
from busbench.verify.verify import Verification


def junit_xml(found: Verification, *, is_virtual: bool = False) -> str:
    """All checks as one test suite: an XML document in UTF-8."""
    counts = Counter(check.verdict for check in found.checks)
    totals = {
        "tests": str(len(found.checks)),
        "failures": str(counts[Verdict.FAIL]),
        "errors": str(counts[Verdict.NOT_TESTED]),
    }
    root = ET.Element("testsuites", totals)
    suite = ET.SubElement(root, "testsuite", {"name": f"busbench verify {found.evidence.rig.plan.name}", **totals})
    for check in found.checks:
        case = ET.SubElement(suite, "testcase", {"classname": check.subject, "name": check.name})
        if check.verdict is Verdict.FAIL:
            ET.SubElement(case, "failure", {"message": check.message})
        elif check.verdict is Verdict.NOT_TESTED:
            ET.SubElement(case, "error", {"type": "not tested", "message": check.sentence})
        else:
            ET.SubElement(case, "system-out").text = check.sentence
    for words in (found.unplanned_words, VIRTUAL if is_virtual else ""):
        if words:
            ET.SubElement(suite, "system-out").text = words
    ET.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
