"""One module's source to its mutants: each the source with one small thing wrong."""

from __future__ import annotations

import ast
import copy
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass

Replacement = tuple[ast.AST, str]

_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_REMOVABLE = ast.Assign | ast.AugAssign | ast.Raise | ast.Return | ast.Continue | ast.Break
_NOT_RUN = ("annotation", "returns", "decorator_list", "bases")
_QUANTIFIER = re.compile(r"(?<!\()[+*?]|\{[0-9,]+\}|\[[^\]]+\](?=[+*{])")


@dataclass(frozen=True, slots=True)
class Mutant:
    """In the function `inside`, on a line, `before` became `after`; `source` is the whole module then."""

    line: int
    inside: str
    before: str
    after: str
    source: str

    def __str__(self) -> str:
        return f"{self.line}: {self.inside}: {self.before}  ->  {self.after}"


def mutants_of(source: str) -> Iterator[Mutant]:
    """Return each mutant of a module's source, in the order of its lines."""
    raw, tree = source.encode(), ast.parse(source)
    starts = [0]
    for line in raw.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found: dict[str, Mutant] = {}
    for node, after in _replacements(tree):
        first, last = _lines_of(node)
        begin = starts[first - 1] + node.col_offset  # type: ignore[attr-defined]
        end = starts[last - 1] + node.end_col_offset  # type: ignore[attr-defined]
        before = raw[begin:end].decode()
        mutated = (raw[:begin] + after.encode() + raw[end:]).decode()
        if after != before and _is_python(mutated):
            mutant = Mutant(first, _function_at(tree, first), _one_line(before), _one_line(after), mutated)
            found.setdefault(mutated, mutant)
    yield from sorted(found.values(), key=lambda mutant: mutant.line)


def _lines_of(node: ast.AST) -> tuple[int, int]:
    return node.lineno, node.end_lineno  # type: ignore[attr-defined]


def _function_at(tree: ast.Module, line: int) -> str:
    """Return the name of the innermost function or class that a line is in."""
    name = "the module"
    for node in ast.walk(tree):  # outer ones come first
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            first, last = _lines_of(node)
            name = node.name if first <= line <= last else name
    return name


def _replacements(tree: ast.Module) -> Iterator[Replacement]:
    for node in _walk(tree):
        for kind, operator in _OPERATORS:
            if isinstance(node, kind):
                yield from operator(node)


def _walk(node: ast.AST) -> Iterator[ast.AST]:
    """Return every node that runs and has its own place: none of annotations, decorators, f-strings."""
    yield node
    for name, value in ast.iter_fields(node):
        if name in _NOT_RUN or isinstance(node, ast.JoinedStr | ast.ImportFrom | ast.Import):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _is_docstring(child):
                yield from _walk(child)


def _is_docstring(node: ast.AST) -> bool:
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def _is_python(source: str) -> bool:
    try:
        compile(source, "mutant", "exec")
    except SyntaxError:
        return False
    return True


def _one_line(text: str) -> str:
    return " ".join(text.split())


# The operators: each gives what a node may become


def _changed(node: ast.AST, change: Callable[[ast.AST], object]) -> str:
    other = copy.deepcopy(node)
    change(other)
    return f"({ast.unparse(other)})"


def _comparison(node: ast.Compare) -> Iterator[Replacement]:
    for place, operator in enumerate(node.ops):
        for other in _COMPARISONS[type(operator)]:
            yield node, _changed(node, lambda it, at=place, other=other: it.ops.__setitem__(at, other()))  # type: ignore[misc]


def _boolean(node: ast.BoolOp) -> Iterator[Replacement]:
    other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    yield node, _changed(node, lambda it: setattr(it, "op", other))
    for place in range(len(node.values)):
        yield node, _changed(node, lambda it, at=place: it.values.pop(at))  # type: ignore[misc]


def _negation(node: ast.UnaryOp) -> Iterator[Replacement]:
    if isinstance(node.op, ast.Not | ast.USub):
        yield node, f"({ast.unparse(node.operand)})"


def _condition(node: ast.If | ast.While | ast.IfExp) -> Iterator[Replacement]:
    if not isinstance(node.test, ast.Compare | ast.UnaryOp):  # those are turned round by themselves
        yield node.test, f"(not ({ast.unparse(node.test)}))"


def _filter(node: ast.comprehension) -> Iterator[Replacement]:
    for test in node.ifs:
        yield test, "True"


def _arithmetic(node: ast.BinOp) -> Iterator[Replacement]:
    other = _ARITHMETIC.get(type(node.op))
    if other is not None:
        yield node, _changed(node, lambda it: setattr(it, "op", other()))


def _constant(node: ast.Constant) -> Iterator[Replacement]:
    if isinstance(node.value, bool):
        yield node, str(not node.value)
    elif isinstance(node.value, int | float):
        yield node, repr(node.value + 1)


def _statement(node: ast.stmt) -> Iterator[Replacement]:
    if not (
        isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
    ):  # its name would be missed
        yield node, "pass"
    if isinstance(node, ast.Continue):
        yield node, "break"
    if isinstance(node, ast.Break):
        yield node, "continue"


def _exception(node: ast.Try) -> Iterator[Replacement]:
    for handler in node.handlers:
        yield handler.body[0] if len(handler.body) == 1 else handler, _swallowed(handler)
        if handler.type is not None:
            yield handler.type, "()"
        if isinstance(handler.type, ast.Tuple):
            for place in range(len(handler.type.elts)):
                yield handler.type, _changed(handler.type, lambda it, at=place: it.elts.pop(at))  # type: ignore[misc]


def _swallowed(handler: ast.ExceptHandler) -> str:
    if len(handler.body) == 1:
        return "pass"
    return f"except {ast.unparse(handler.type) if handler.type else 'BaseException'}: pass"


def _pattern(node: ast.Call) -> Iterator[Replacement]:
    """Loosen and tighten a regular expression one repetition or set at a time."""
    if ast.unparse(node.func) == "re.compile" and isinstance(node.args[0], ast.Constant):
        text = node.args[0].value
        for found in _QUANTIFIER.finditer(text):
            for other in ("", "+", "*", "{2}", "."):
                changed = text[: found.start()] + other + text[found.end() :]
                if (other == ".") == found[0].startswith("[") and other != found[0] and _is_pattern(changed):
                    yield node.args[0], repr(changed)


def _is_pattern(text: str) -> bool:
    try:
        re.compile(text)
    except (re.error, FutureWarning):
        return False
    return True


_OPERATORS: list[tuple[object, Callable[..., Iterator[Replacement]]]] = [
    (ast.Compare, _comparison),
    (ast.BoolOp, _boolean),
    (ast.UnaryOp, _negation),
    (ast.If | ast.While | ast.IfExp, _condition),
    (ast.comprehension, _filter),
    (ast.BinOp, _arithmetic),
    (ast.Constant, _constant),
    (ast.Expr | _REMOVABLE, _statement),
    (ast.Try, _exception),
    (ast.Call, _pattern),
]
