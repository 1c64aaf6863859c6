"""The pages made from the code are the ones in docs/, and every page is found from the index."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import pytest

from witnessmark.cases.schema import case_schema
from witnessmark.causes.docs import knowledge_page
from witnessmark.causes.ids import CAUSES, NONE_FOUND
from witnessmark.causes.reach import load_reach, reach_page
from witnessmark.compare.schema import comparison_schema
from witnessmark.recording.setup import load_setup
from witnessmark.recording.setup_page import EXAMPLE, MEANING, keys, setup_page
from witnessmark.recording.store_format import schema as store_schema
from witnessmark.report.schema import analysis_schema

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
LINK = re.compile(r"\[[^\]]*\]\(([^)#]+)(?:#[^)]*)?\)")


def test_made_pages_are_current():
    """After a change of models or knowledge: make docs."""
    assert (DOCS / "setup.md").read_text(encoding="utf-8") == setup_page()
    assert (DOCS / "knowledge.md").read_text(encoding="utf-8") == knowledge_page()
    assert (DOCS / "reach.md").read_text(encoding="utf-8") == reach_page()
    assert json.loads((DOCS / "analysis.schema.json").read_text(encoding="utf-8")) == analysis_schema()
    assert json.loads((DOCS / "comparison.schema.json").read_text(encoding="utf-8")) == comparison_schema()
    assert json.loads((DOCS / "recording.schema.json").read_text(encoding="utf-8")) == store_schema()
    assert json.loads((DOCS / "case.schema.json").read_text(encoding="utf-8")) == case_schema()


def test_every_cause_stands_in_the_table_of_what_can_be_told():
    told = {c for f in load_reach().fault for c in f.causes}
    assert told >= set(CAUSES) - {NONE_FOUND}


def test_every_fault_is_measured_on_cases_that_exist():
    sys.path.insert(0, str(ROOT))
    from accuracy.cases import RANGES

    assert {c for f in load_reach().fault for c in f.cases} <= set(RANGES)


def test_every_key_of_the_setup_is_explained():
    assert set(MEANING) == keys()


def test_the_setup_example_is_a_setup(tmp_path):
    path = tmp_path / "example.toml"
    path.write_text("\n".join(line[4:] for line in EXAMPLE.splitlines() if line.startswith("    ")), encoding="utf-8")
    assert load_setup(str(path)).crank_wheel is not None


@pytest.mark.parametrize(
    "page",
    [
        "README.md",
        "CONTRIBUTING.md",
        "docs/README.md",
        "docs/learn.md",
        "docs/compare.md",
        "docs/setup.md",
        "docs/report.md",
        "docs/scan.md",
        "docs/capture.md",
        "docs/follow.md",
        "docs/recordings.md",
        "docs/case.md",
        "docs/worked-case.md",
        "docs/next-test.md",
        "docs/plan.md",
        "docs/pool.md",
    ],
)
def test_links_lead_somewhere(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in LINK.findall(text):
        assert ((ROOT / page).parent / target).exists(), target


def test_the_index_leads_to_every_page():
    index = (DOCS / "README.md").read_text(encoding="utf-8")
    pages = {p.name for p in DOCS.iterdir() if p.is_file()} - {"README.md"}
    assert pages <= set(LINK.findall(index))


def test_the_house_is_drawn_as_it_is():
    """CONTRIBUTING.md draws every folder and root module of the package, and no other."""
    drawn = re.findall(r"^    (\w+(?:/|\.py))", (ROOT / "CONTRIBUTING.md").read_text(encoding="utf-8"), re.MULTILINE)
    package = ROOT / "src" / "witnessmark"
    folders = {f"{p.name}/" for p in package.iterdir() if (p / "__init__.py").exists()}
    modules = {p.name for p in package.glob("*.py")} - {"__init__.py"}
    assert set(drawn) == folders | modules
