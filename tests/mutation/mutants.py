"""Small wrong changes of one Python file, each an edit of its text.

A mutant is what a tired hand might have written: ``<`` for ``<=``, a term of a sum forgotten, two arguments the wrong way
round, a constant a tenth too large, a warning never given. The file is read as a syntax tree, so that an edit touches code
and never a docstring, a message or a type.
"""

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass

COMPARISONS = {
    ast.Lt: ("<", "<="),
    ast.LtE: ("<=", "<"),
    ast.Gt: (">", ">="),
    ast.GtE: (">=", ">"),
    ast.Eq: ("==", "!="),
    ast.NotEq: ("!=", "=="),
    ast.In: ("in", "not in"),
    ast.NotIn: ("not in", "in"),
    ast.Is: ("is", "is not"),
    ast.IsNot: ("is not", "is"),
}
ARITHMETIC = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
    ast.FloorDiv: ("//", "/"),
    ast.Pow: ("**", "*"),
    ast.BitAnd: ("&", "|"),
    ast.BitOr: ("|", "&"),
}
BOOLEANS = {ast.And: ("and", "or"), ast.Or: ("or", "and")}

# A label put for another: verdicts, models of the evidence, and functions that come in pairs.
LABELS = {
    "WITHIN": "BEYOND",
    "BEYOND": "WITHIN",
    "beyond the margin": "within the margin",
    "within the margin": "beyond the margin",
    "not settled": "within the margin",
    "none": "same",
    "same": "varying",
    "varying": "same",
    "lower": "upper",
    "upper": "lower",
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
    "sf": "cdf",
    "cdf": "sf",
}


@dataclass(frozen=True, order=True)
class Mutant:
    """One edit: bytes `start` to `end` of a file become `text`; `old` and `new` are the lines it touches."""

    start: int
    end: int
    text: str
    line: int
    old: str
    new: str

    def apply(self, source: bytes) -> bytes:
        """The file's bytes with this edit made."""
        return source[: self.start] + self.text.encode() + source[self.end :]

    def __str__(self) -> str:
        return f"{self.line}: {self.old}  ->  {self.new}"


class _Finder(ast.NodeVisitor):
    """Walk the tree; gather ``(start, end, text)``."""

    def __init__(self, source: bytes):
        self.source = source
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))
        self.edits: set[tuple[int, int, str]] = set()

    def span(self, node) -> tuple[int, int]:
        start = self.starts[node.lineno - 1] + node.col_offset
        return start, self.starts[node.end_lineno - 1] + node.end_col_offset

    def code(self, node) -> str:
        start, end = self.span(node)
        return self.source[start:end].decode()

    def replace(self, node, text: str):
        self.edits.add((*self.span(node), text))

    def replace_operator(self, left, right, old: str, new: str):
        """Put `new` for the operator that stands between two nodes, wherever brackets and line ends are."""
        start = self.span(left)[1]
        between = self.source[start : self.span(right)[0]].decode()
        for found in re.finditer(r"#[^\n]*|" + re.escape(old).replace(r"\ ", r"\s+"), between):
            if not found[0].startswith("#"):
                first = start + len(between[: found.start()].encode())
                self.edits.add((first, first + len(found[0].encode()), new))
                return

    # What is not code of ours to get wrong: types, decorators, text.
    def visit_FunctionDef(self, node):
        for part in [*node.args.defaults, *(d for d in node.args.kw_defaults if d is not None), *node.body]:
            self.visit(part)

    def visit_ClassDef(self, node):
        for part in node.body:
            self.visit(part)

    def visit_AnnAssign(self, node):
        if node.value is not None:
            self.visit(node.value)

    def visit_keyword(self, node):
        if node.arg != "strict":  # a check of ours on ourselves
            self.visit(node.value)

    def visit_JoinedStr(self, node):
        pass  # before Python 3.12 the places inside it are not known

    def visit_Raise(self, node):
        self.replace(node, "pass")

    def visit_If(self, node):
        if self.code(node.test) == "TYPE_CHECKING":
            return
        self.replace(node.test, f"not ({self.code(node.test)})")
        self.generic_visit(node)

    def visit_IfExp(self, node):
        self.replace(node.test, f"not ({self.code(node.test)})")
        self.generic_visit(node)

    def visit_Expr(self, node):
        if isinstance(node.value, ast.Constant):
            return  # a docstring
        self.replace(node, "pass")
        self.generic_visit(node)

    def visit_AugAssign(self, node):
        self.replace(node, "pass")
        self.generic_visit(node)

    def visit_Starred(self, node):
        if isinstance(node.ctx, ast.Load):
            self.replace(node.value, "()")
        self.generic_visit(node)

    def visit_Compare(self, node):
        sides = [node.left, *node.comparators]
        for left, operator, right in zip(sides[:-1], node.ops, sides[1:], strict=True):
            self.replace_operator(left, right, *COMPARISONS[type(operator)])
        self.generic_visit(node)

    def visit_BinOp(self, node):
        kind = type(node.op)
        if kind in ARITHMETIC:
            self.replace_operator(node.left, node.right, *ARITHMETIC[kind])
        if kind in (ast.Add, ast.Sub):  # a term forgotten
            self.edits.add((self.span(node.left)[1], self.span(node)[1], ""))
        self.generic_visit(node)

    def visit_BoolOp(self, node):
        for left, right in zip(node.values[:-1], node.values[1:], strict=True):
            self.replace_operator(left, right, *BOOLEANS[type(node.op)])
        self.generic_visit(node)

    def visit_UnaryOp(self, node):
        if isinstance(node.op, (ast.Not, ast.USub, ast.Invert)):
            self.replace(node, self.code(node.operand))
        self.generic_visit(node)

    def visit_Constant(self, node):
        value = node.value
        if isinstance(value, bool):
            self.replace(node, str(not value))
        elif isinstance(value, int):
            self.replace(node, str(value + 1))
        elif isinstance(value, float):
            self.replace(node, f"{value * 1.1:.12g}" if value else "0.1")
            self.replace(node, f"{value / 2:.12g}" if value else "-0.1")
        elif isinstance(value, str) and value in LABELS and self.code(node) in (f'"{value}"', f"'{value}'"):
            self.replace(node, f'"{LABELS[value]}"')

    def visit_Name(self, node):
        if node.id in LABELS and isinstance(node.ctx, ast.Load):
            self.replace(node, LABELS[node.id])

    def visit_Attribute(self, node):
        if node.attr in LABELS and isinstance(node.ctx, ast.Load):
            _, end = self.span(node)
            self.edits.add((end - len(node.attr), end, LABELS[node.attr]))
        self.generic_visit(node)

    def visit_Call(self, node):
        if isinstance(node.func, ast.Name) and node.func.id == "isinstance":
            return  # of several classes any will do, in whatever order; another class is no small change
        self.swap(node.args)
        self.generic_visit(node)

    def visit_Tuple(self, node):
        if isinstance(node.ctx, ast.Load):
            self.swap(node.elts)
        self.generic_visit(node)

    def swap(self, parts: list):
        """Two neighbours the wrong way round: the first two."""
        if len(parts) < 2 or any(isinstance(part, ast.Starred) for part in parts[:2]):
            return
        first, second = parts[:2]
        if self.code(first) != self.code(second):
            between = self.source[self.span(first)[1] : self.span(second)[0]].decode()
            text = self.code(second) + between + self.code(first)
            self.edits.add((self.span(first)[0], self.span(second)[1], text))


def mutants(source: bytes) -> Iterator[Mutant]:
    """Every mutant of a file, in the order of its lines; those that do not compile are left out."""
    for mutant in edits(source):
        try:
            ast.parse(mutant.apply(source))
        except SyntaxError:
            continue
        yield mutant


def edits(source: bytes) -> Iterator[Mutant]:
    """The same, those that do not compile among them: far quicker."""
    finder = _Finder(source)
    finder.visit(ast.parse(source))
    for start, end, text in sorted(finder.edits):
        yield edit(source, start, end, text)


def edit(source: bytes, start: int, end: int, text: str) -> Mutant:
    """A mutant from its place and its text."""
    first = source.rfind(b"\n", 0, start) + 1
    last = source.find(b"\n", end)
    if last < 0:
        last = len(source)
    old = source[first:last].decode()
    new = source[first:start].decode() + text + source[end:last].decode()
    return Mutant(start, end, text, source.count(b"\n", 0, start) + 1, " ".join(old.split()), " ".join(new.split()))
