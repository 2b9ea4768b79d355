"""What nothing in casebase uses is not kept: vulture finds such names, and each exception has its reason."""

from collections.abc import Iterator
from enum import EnumType
from pathlib import Path

import jinja2
import jinja2.nodes
import pytest
import vulture

from casebase.commands.app import COMMANDS
from casebase.record import case, layout, reading, trial, vehicle, vocabulary

pytestmark = pytest.mark.slow

PACKAGE = Path(__file__).parent.parent / "casebase"

REGISTERED_BY_DECORATOR = {
    "@MIGRATIONS": "a numbered migration, run by its number",
    "@app.callback": "typer calls it before a command",
    "@field_validator": "pydantic calls it",
    "@hookimpl": "a hook that Datasette calls",
    "@model_validator": "pydantic calls it",
}

CALLED_BY_A_LIBRARY = {
    "commands/app.py": {"list_commands", "format_commands"},  # click asks a group for both
    "record/fields.py": {"model_config"},  # pydantic reads it
    "record/word_list.py": {"_missing_"},  # Enum asks it for a word that is not in the list
}

SET_FOR_A_LIBRARY = {
    "match/text/embedder.py": {
        "intra_op_num_threads",
        "inter_op_num_threads",
        "log_severity_level",
    },  # onnxruntime
    "publish/bundle.py": {"create_system"},  # zipfile: the same bytes on every system
    "record/yaml_form.py": {  # ruamel.yaml
        "Constructor",
        "warn_double_anchors",
        "default_flow_style",
        "allow_unicode",
        "sort_base_mapping_type_on_output",
    },
    "site/respond.py": {"rich"},  # Datasette's own error page imports it otherwise
}

WRITTEN_WHOLE = {
    "bus/media.py": {"receiver"},  # a figure of a medium with its source, held against standards by tests
}

ALLOWED = CALLED_BY_A_LIBRARY, SET_FOR_A_LIBRARY, WRITTEN_WHOLE


def read_by_templates() -> set[str]:
    """Return every name that a page's template reads."""
    environment = jinja2.Environment(autoescape=True)
    trees = [
        environment.parse(path.read_text(encoding="utf-8")) for path in PACKAGE.rglob("templates/**/*.html")
    ]
    names = {node.name for tree in trees for node in tree.find_all(jinja2.nodes.Name)}
    return names | {node.attr for tree in trees for node in tree.find_all(jinja2.nodes.Getattr)}


def parts_of_a_record() -> set[str]:
    """Return the fields of a record's models, written and read by name, and the words that a field may hold."""
    models = [
        model
        for module in (case, layout, reading, trial, vehicle)
        for model in vars(module).values()
        if hasattr(model, "model_fields")
    ]
    lists = [
        words
        for words in (*vars(vocabulary).values(), *vars(trial).values(), *vars(layout).values())
        if isinstance(words, EnumType)
    ]
    return {name for model in models for name in model.model_fields} | {
        word for words in lists for word in words.__members__
    }


def unused() -> Iterator[tuple[str, str, int]]:
    """Yield file, name and line of whatever no line of the package uses."""
    finder = vulture.Vulture(ignore_decorators=list(REGISTERED_BY_DECORATOR))
    finder.scavenge([str(PACKAGE)])
    called = {command.function for command in COMMANDS.values()} | read_by_templates() | parts_of_a_record()
    for item in finder.get_unused_code():
        if item.name not in called:
            yield item.filename.relative_to(PACKAGE).as_posix(), item.name, item.first_lineno


@pytest.fixture(scope="module")
def found():
    """What is unused, less what the table of commands, the templates and the format of a record call by name."""
    return list(unused())


def test_what_nothing_uses_is_not_kept(found):
    """A name that only tests use, or nothing at all, is deleted or has its reason above."""
    allowed = {(file, name) for group in ALLOWED for file, names in group.items() for name in names}
    assert [f"{file}:{line} {name}" for file, name, line in found if (file, name) not in allowed] == []


def test_no_exception_outlives_its_reason(found):
    """An exception that vulture no longer needs is taken off the lists."""
    needed = {(file, name) for file, name, _ in found}
    assert {(file, name) for group in ALLOWED for file, names in group.items() for name in names} <= needed
