"""Holds the JUnit file of `groovelag check` against a strict schema and an
ordinary reader, neither of them ours.

    junit.py GROOVELAG JUNIT_10_XSD FOLDER

The schema is junit-10.xsd of the Jenkins xUnit plugin (MIT licence, G. Boissinot
2014; src/main/resources/org/jenkinsci/plugins/xunit/types/model/xsd in
github.com/jenkinsci/xunit-plugin). It is not copied into this repository:
.ci/run takes it from the source distribution of pytest, which ships it
as testing/example_scripts/junit-10.xsd and validates its own reports with it.
The reader is junitparser. The jobs are invented.
"""

import json
import pathlib
import subprocess
import sys

import junitparser
import xmlschema

HEAD = "format = 1\n[cartridge.red]\n[record.A]\n[chain.rack]\n"
CAPTURE = "[[capture]]\ndelay_us = { value = 4.0, u = 0.005 }\nradius_mm = 70\nrpm = 33\n"
JOBS = {
    "fine.toml": HEAD + CAPTURE,
    "far.toml": HEAD + "[limits]\nexpected_deg = { value = -20, u = 0.1 }\n" + CAPTURE,
    "open.toml": HEAD + "[limits]\ntolerance_deg = 5\n" + CAPTURE,
    # what XML must escape, in the path and in the message
    "odd <&> 'name' \"é\".toml": HEAD + "[chain.rack]\n",
    "unknown key.toml": HEAD + "\"<&>'\\u001b]]>\" = 1\n",
}
OUTCOMES = {"passed": 1, "failed": 1, "undecided": 1, "unusable": 2}


def main(program, schema_file, folder):
    folder = pathlib.Path(folder)
    jobs = folder / "jobs"
    jobs.mkdir(parents=True, exist_ok=True)
    for name, text in JOBS.items():
        (jobs / name).write_text(text, encoding="utf-8")
    run = subprocess.run(
        [str(pathlib.Path(program).resolve()), "check", "jobs", "--json", "--junit", "check.xml", "--force"],
        cwd=folder,
        capture_output=True,
        check=False,
    )
    assert run.returncode == 2, run
    results = json.loads(run.stdout)["results"]
    counts = {word: sum(r["outcome"] == word for r in results) for word in OUTCOMES}
    assert counts == OUTCOMES, counts

    schema = xmlschema.XMLSchema(schema_file)
    file = folder / "check.xml"
    schema.validate(str(file))
    # the schema must be able to refuse: 'tests' is required, 'colour' unknown
    text = file.read_text(encoding="utf-8")
    for broken in (text.replace(' tests="', ' count="'), text.replace("<testcase ", '<testcase colour="red" ')):
        assert broken != text and not schema.is_valid(broken)

    report = junitparser.JUnitXml.fromfile(str(file))
    assert (report.tests, report.failures, report.errors) == (5, 2, 2), report
    cases = [case for suite in report for case in suite]
    assert [case.name for case in cases] == [r["path"] for r in results]
    for case, result in zip(cases, results):
        kinds = [(type(kind).__name__, kind.type) for kind in case.result]
        expected = {
            "passed": [],
            "failed": [("Failure", "failed")],
            "undecided": [("Failure", "undecided")],
            "unusable": [("Error", "unusable")],
        }[result["outcome"]]
        assert kinds == expected, (case.name, kinds)
        said = case.result[0].message if case.result else case.system_out
        # XML has no control characters and keeps no line breaks in attributes
        written = lambda c: c if c >= " " or c in "\n\t" else f"\\u{{{ord(c):x}}}"
        reason = "".join(written(c) for c in result["reason"])
        assert said.split() == reason.split(), (said, result["reason"])
    print(f"{len(cases)} cases are valid by junit-10.xsd and read back by junitparser {junitparser.version}")


if __name__ == "__main__":
    main(*sys.argv[1:])
