"""Makes daemon/safety.py wrong in one place at a time, and asks tests/test_safety.py whether it notices.

Comparisons, constants, connectives, signs, states, events, marks of heat, whole table entries, and statements that are
left out.
"""

import ast
import contextlib
import copy
import io
import sys
import types
from collections.abc import Iterator
from pathlib import Path

import pytest

import benchwarden.daemon
from benchwarden.daemon import safety

SOURCE = Path(safety.__file__)
TESTS = Path(__file__).with_name("test_safety.py")
_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
_SIGNS: dict[type[ast.operator], type[ast.operator]] = {ast.Add: ast.Sub, ast.Sub: ast.Add}
_FUNCTIONS = {"min": "max", "max": "min", "all": "any", "any": "all", "abs": "float"}


def _changed(node: ast.AST) -> Iterator[tuple[str, ast.AST | None]]:
    """Yield what can stand in a node's place, with a word for it; None leaves a statement out."""
    match node:
        case ast.Compare():
            for place, operator in enumerate(node.ops):
                for other in _COMPARISONS.get(type(operator), ()):
                    wrong = copy.deepcopy(node)
                    wrong.ops[place] = other()
                    yield f"{type(operator).__name__} {place} is {other.__name__}", wrong
        case ast.BoolOp():
            other_word = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield type(other_word).__name__, ast.BoolOp(other_word, node.values)
            for place in range(len(node.values)):
                kept = node.values[:place] + node.values[place + 1 :]
                yield f"without part {place}", kept[0] if len(kept) == 1 else ast.BoolOp(node.op, kept)
        case ast.BinOp() if type(node.op) in _SIGNS:
            yield "sign", ast.BinOp(node.left, _SIGNS[type(node.op)](), node.right)
        case ast.IfExp():
            yield "branches swapped", ast.IfExp(node.test, node.orelse, node.body)
        case ast.Constant(value=bool() as value):
            yield "flipped", ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield "more", ast.Constant(value * 1.5 + 0.1)
            yield "less", ast.Constant(value * 0.5 - 0.1)
        case ast.Call(func=ast.Name(id=name)) if name in _FUNCTIONS:
            yield _FUNCTIONS[name], ast.Call(ast.Name(_FUNCTIONS[name], ast.Load()), node.args, node.keywords)
        case ast.Attribute(value=ast.Name(id="State" | "Event" | "Heat" as kind), attr=name):
            members = list(getattr(safety, kind))
            after = members[(members.index(getattr(safety, kind)[name]) + 1) % len(members)]
            yield after.name, ast.Attribute(ast.Name(kind, ast.Load()), after.name, ast.Load())
        case ast.Dict(keys=keys) if len(keys) > 1:
            for place in range(len(keys)):
                wrong_dict = copy.deepcopy(node)
                del wrong_dict.keys[place], wrong_dict.values[place]
                yield f"without entry {place}", wrong_dict
        case ast.Continue():
            yield "left out", ast.Pass()
        case ast.Assign(targets=[ast.Subscript()]):
            yield "left out", ast.Pass()
        case ast.If():
            yield "always", ast.If(ast.Constant(True), node.body, node.orelse)
            yield "never", ast.If(ast.Constant(False), node.body, node.orelse)


def mutants() -> dict[str, str]:
    """Return by name every mutant's source; a name says line and column, code, and change."""
    text = SOURCE.read_text(encoding="utf-8")
    tree = ast.parse(text)
    found: dict[str, str] = {}
    for parent in ast.walk(tree):
        for name, value in ast.iter_fields(parent):
            places = list(enumerate(value)) if isinstance(value, list) else [(None, value)]
            for place, node in places:
                if not isinstance(node, ast.AST):
                    continue
                for word, other in _changed(node):
                    _put(parent, name, place, other)
                    wrong = ast.unparse(ast.fix_missing_locations(tree))
                    _put(parent, name, place, node)
                    code = (ast.get_source_segment(text, node) or "").partition("\n")[0]
                    line, column = getattr(node, "lineno", 0), getattr(node, "col_offset", 0)
                    found[f"{line}:{column} {code}: {word}"] = wrong
    return found


def _put(parent: ast.AST, name: str, place: int | None, node: ast.AST | None) -> None:
    if place is None:
        setattr(parent, name, node)
    else:
        getattr(parent, name)[place] = node


def noticed(source: str) -> bool:
    """Tell whether the tests of safety fail with this source in its place."""
    name = safety.__name__
    wrong = types.ModuleType(name)
    before = sys.modules[name]
    sys.modules[name] = benchwarden.daemon.safety = wrong
    try:
        with contextlib.suppress(
            NameError, TypeError, ValueError
        ):  # one that cannot be loaded fails when it is imported
            exec(compile(source, str(SOURCE), "exec"), wrong.__dict__)
        return _tests_fail()
    finally:
        sys.modules[name] = benchwarden.daemon.safety = before


def _tests_fail() -> bool:
    for loaded in [loaded for loaded in sys.modules if loaded.endswith("test_safety")]:
        del sys.modules[loaded]
    options = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0"]
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = pytest.main([*options, "--rootdir", str(TESTS.parents[1]), str(TESTS)])
    assert code in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED), code
    return code is not pytest.ExitCode.OK


def judge_mutant(case: tuple[str, str]) -> tuple[str, bool]:
    """Return a mutant's name, and whether it was noticed."""
    return case[0], noticed(case[1])
