"""The small mistakes that can be made in a module, each as a change of its text."""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass

_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip
# A bound that moves by one step, and one that is turned round.
_COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
_PAIRS = (
    ("min", "max"), ("minimum", "maximum"), ("argmin", "argmax"), ("any", "all"),
    ("sin", "cos"), ("arcsin", "arccos"), ("asin", "acos"), ("floor", "ceil"),
    ("radians", "degrees"), ("deg2rad", "rad2deg"), ("mean", "max"), ("median", "max"),
)  # fmt: skip
_SWAPPED = {**{b: a for a, b in _PAIRS}, **dict(_PAIRS)} | {"max": "min"}
_ARGUMENTS_SWAPPED = {"arctan2", "atan2", "cross"}
_LEFT_OUT = {"abs", "sqrt", "exp"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """One change: bytes ``start`` to ``stop`` of the module at ``path`` become ``after``."""

    path: str
    line: int
    end_line: int
    kind: str
    start: int
    stop: int
    before: str
    after: str

    def applied_to(self, source: bytes) -> bytes:
        """Return the module with the mistake in it."""
        return source[: self.start] + self.after.encode() + source[self.stop :]

    def __str__(self) -> str:
        """Where and what, on one line."""
        before = " ".join(self.before.split())
        return f"{self.path}:{self.line}: [{self.kind}] {before} -> {self.after}"


def mutants_of(path: str, source: bytes) -> list[Mutant]:
    """Return every mutant of a module that reads otherwise than the module.

    Left out: annotations, decorators, texts (f-strings with all that is in them), patterns of
    ``match``, ``assert`` and ``__all__``.
    """
    tree = ast.parse(source)
    starts = [0]
    for line in source.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    found: dict[tuple[int, int, str], Mutant] = {}
    for kind, node, after in _changes(tree):
        start = starts[node.lineno - 1] + node.col_offset
        stop = starts[(node.end_lineno or 0) - 1] + (node.end_col_offset or 0)
        mutant = Mutant(
            path=path, line=node.lineno, end_line=node.end_lineno or 0, kind=kind,
            start=start, stop=stop, before=source[start:stop].decode(), after=after,
        )  # fmt: skip
        if _is_another(node, after):
            found.setdefault((start, stop, after), mutant)
    return list(found.values())


def _is_another(node: ast.expr | ast.stmt, after: str) -> bool:
    if isinstance(node, ast.stmt):
        return ast.unparse(node) != after
    return ast.dump(node) != ast.dump(ast.parse(after, mode="eval").body)


def _changes(node: ast.AST) -> Iterator[tuple[str, ast.expr | ast.stmt, str]]:
    if isinstance(node, ast.expr):
        yield from _of_an_expression(node)
    elif isinstance(node, ast.stmt):
        yield from _of_a_statement(node)
    for child in _parts(node):
        yield from _changes(child)


def _parts(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, (ast.JoinedStr, ast.pattern, ast.Assert)):
        return
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        return
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
        return
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "type_params"}:
            continue
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, ast.AST):
                yield one


def _of_a_statement(node: ast.stmt) -> Iterator[tuple[str, ast.stmt | ast.expr, str]]:
    match node:
        case ast.AugAssign() if type(node.op) in _ARITHMETIC:
            changed = copy.copy(node)
            changed.op = _ARITHMETIC[type(node.op)]()
            yield "arithmetic", node, ast.unparse(changed)
        case ast.Return(value=ast.expr() as value):
            if not (isinstance(value, ast.Constant) and value.value is None):
                yield "return None", node, "return None"
        case ast.Raise() | ast.Expr(value=ast.Call()):
            yield "left out", node, "pass"
        case ast.Continue():
            yield "loop", node, "break"
        case ast.Break():
            yield "loop", node, "continue"
        case ast.If() | ast.While():
            if isinstance(node.test, (ast.Name, ast.Attribute, ast.Call)):
                yield "condition", node.test, f"not {ast.unparse(node.test)}"


def _of_an_expression(node: ast.expr) -> Iterator[tuple[str, ast.expr, str]]:
    match node:
        case ast.BinOp(left=left, op=ast.MatMult(), right=right):
            yield "order", node, _text(ast.BinOp(right, ast.MatMult(), left))
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _ARITHMETIC:
            yield "arithmetic", node, _text(ast.BinOp(left, _ARITHMETIC[type(op)](), right))
        case ast.Compare(left=left, ops=ops, comparators=comparators):
            for at, asked in enumerate(ops):
                for other in _COMPARISONS[type(asked)]:
                    changed = [*ops[:at], other(), *ops[at + 1 :]]
                    yield "comparison", node, _text(ast.Compare(left, changed, comparators))
        case ast.BoolOp(op=op, values=values):
            other_op = ast.Or() if isinstance(op, ast.And) else ast.And()
            yield "boolean", node, _text(ast.BoolOp(other_op, values))
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield "sign" if isinstance(node.op, ast.USub) else "boolean", node, _text(operand)
        case ast.IfExp(test=ast.Name() | ast.Attribute() | ast.Call() as test):
            yield "condition", test, f"(not {ast.unparse(test)})"
        case ast.Constant(value=bool() as value):
            yield "constant", node, repr(not value)
        case ast.Constant(value=int() as value):
            yield "constant", node, repr(value + 1)
        case ast.Constant(value=float() as value):
            yield "constant", node, repr(2.0 * value if value else 1.0)
        case ast.Attribute(value=value, attr="T"):
            yield "transpose", node, ast.unparse(value)
        case ast.Call():
            yield from _of_a_call(node)


def _of_a_call(node: ast.Call) -> Iterator[tuple[str, ast.expr, str]]:
    func = node.func
    name = func.id if isinstance(func, ast.Name) else getattr(func, "attr", "")
    if name in _SWAPPED:
        changed = copy.deepcopy(func)
        setattr(changed, "id" if isinstance(func, ast.Name) else "attr", _SWAPPED[name])
        yield "function", node, ast.unparse(ast.Call(changed, node.args, node.keywords))
    if name in _ARGUMENTS_SWAPPED and len(node.args) >= 2:
        swapped = [node.args[1], node.args[0], *node.args[2:]]
        yield "order", node, ast.unparse(ast.Call(func, swapped, node.keywords))
    if name in _LEFT_OUT and node.args:
        yield "function", node, _text(node.args[0])


def _text(node: ast.expr) -> str:
    return f"({ast.unparse(node)})"
