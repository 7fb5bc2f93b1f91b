"""Hold a recording of one test sequence against a plan: `python verify_a_receiver.py RECORDING RIG`."""

import sys

import busbench

recording = busbench.read_recording(sys.argv[1])
rig = busbench.read_rig(sys.argv[2])
for finding in rig.check():
    print(finding.severity, finding.where, finding.what)
done = busbench.sign_off(recording, rig)
for check in done.found.checks:
    if check.verdict is not busbench.Verdict.PASS:
        print(check.verdict.value, check.subject, check.name, check.sentence)
print(done.verdict.value)
done.write_page("page.html", source=sys.argv[1], rig_path=sys.argv[2], force=True)
