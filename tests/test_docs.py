"""What is written for people is true: verbs, links, files and examples exist."""

import os
import re
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner

from daemon.settings import Settings
from drivers.registry import DRIVERS
from tests.whole_material import CHECKOUT
from tools.cli import VERBS, main

DOCUMENTS = sorted(
    path
    for pattern in ("*.md", "*/*.md", "*/*/*.md")
    for path in CHECKOUT.glob(pattern)
    if not any(part.startswith(".") for part in path.relative_to(CHECKOUT).parts)
)
README = CHECKOUT / "README.md"
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
CODE = re.compile(r"```(\w*)\n(.*?)```", re.DOTALL)
SAFETY_WORDS = (
    "Mains can kill",
    "extra-low-voltage side",
    "Never a resistive divider",
    "qualified electrician",
    "not a safety device",
    "not a voltage-absence tester",
    "not a certified instrument",
)


def text_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def help_of(verb: str) -> str:
    result = CliRunner(env={"COLUMNS": "100"}).invoke(main, [verb, "--help"])
    assert result.exit_code == 0
    return result.output


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself(verb: str) -> None:
    text = help_of(verb)
    usage, _, rest = text.partition("\n\n")
    assert usage.startswith(f"Usage: main {verb}")
    assert rest.strip()[0].isupper()
    assert VERBS[verb][1].endswith(".")


@pytest.mark.parametrize("verb", VERBS)
def test_every_option_explains_itself(verb: str) -> None:
    context = main.make_context("halfcycle", [verb, "--help"], resilient_parsing=True)
    command = main.get_command(context, verb)
    assert command is not None
    unexplained = [
        option.opts
        for option in command.params
        if option.param_type_name == "option"
        and not getattr(option, "help", None)
        and not getattr(option.type, "choices", None)
    ]
    assert unexplained == []


@pytest.mark.parametrize("verb", VERBS)
def test_the_readme_mentions_every_verb(verb: str) -> None:
    assert re.search(rf"`halfcycle {verb}[ `]", text_of(README))


def test_the_readme_mentions_no_verb_that_there_is_not() -> None:
    mentioned = set(re.findall(r"`?halfcycle ([a-z][a-z-]+)", text_of(README)))
    assert mentioned <= {*VERBS}


def test_the_readme_begins_with_what_can_kill() -> None:
    text = " ".join(text_of(README).split())
    assert [words for words in SAFETY_WORDS if words not in text] == []
    assert text.index("Mains can kill") < text.index("halfcycle demo")


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(CHECKOUT)))
def test_links_lead_somewhere_in_this_project(path: Path) -> None:
    for target in LINK.findall(text_of(path)):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        linked = (path.parent / name).resolve() if name else path
        assert linked.exists(), target
        assert linked.is_relative_to(CHECKOUT), target
        if anchor:
            assert anchor in anchors_of(linked), target


def anchors_of(path: Path) -> set[str]:
    """Headings as a code host names them: small letters, hyphens for spaces, no other signs."""
    headings = re.findall(r"^#+ (.+)$", text_of(path), re.MULTILINE)
    return {
        re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-") for heading in headings
    }


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(CHECKOUT)))
def test_examples_of_configurations_are_accepted(path: Path) -> None:
    for language, code in CODE.findall(text_of(path)):
        content = yaml.safe_load(code) if language == "yaml" else None
        if isinstance(content, dict) and {"site", "supply", "driver"} <= content.keys():
            Settings.model_validate(content, context={"base_dir": CHECKOUT})


def test_the_readme_has_such_an_example() -> None:
    assert any(language == "yaml" for language, _ in CODE.findall(text_of(README)))


@pytest.mark.parametrize("name", ["run-demo", "run-tests"])
def test_scripts_that_the_readme_names_can_be_run(name: str) -> None:
    assert f"tools/{name}" in text_of(README)
    assert os.access(CHECKOUT / "tools" / name, os.X_OK)


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: str(path.relative_to(CHECKOUT)))
def test_nothing_promises_conformity(path: Path) -> None:
    """The program compares; a statement of conformity takes more than one instrument."""
    assert not re.search(
        r"\b(complies|compliant|conforms) (with|to)\b", text_of(path), re.IGNORECASE
    )


@pytest.mark.parametrize("name", DRIVERS)
def test_every_driver_is_listed(name: str) -> None:
    assert f"`{name}`" in text_of(CHECKOUT / "drivers" / "README.md")
