"""Digest of the code a step uses, so that an edit to an imported module reruns exactly the steps that use it.

The workflow engine watches the script of a rule, not what the script imports. Each rule therefore carries the
digest of its stage module, of every module of ours that this one imports, directly or through others, and of
the data files of the package that those modules name. Imports are read from the source (``ast``), nothing is
executed.
"""

import ast
import hashlib
import re
from functools import cache
from pathlib import Path

from pipeline import PROJECT_ROOT

__all__ = ["code_digest", "modules_used"]

PACKAGE = "pipeline"
"""Only modules below this name count; what comes from elsewhere is pinned by the lock file."""


def code_digest(*modules, root=PROJECT_ROOT):
    """Digest of modules and all they use.

    Parameters
    ----------
    modules : dotted names, like "pipeline.stages.measure"
    root : folder that holds the package

    Returns
    -------
    SHA-256 in hexadecimal over the sources, comments and all; it does not depend on where the checkout lies
    """
    digest = hashlib.sha256()
    files = {}
    for module in sorted(modules_used(*modules, root=root)):
        source = _source_of(module, root)
        files[source] = None
        files.update(dict.fromkeys(_data_files(source, root)))
    for file in sorted(files):
        content = file.read_bytes()
        digest.update(f"{file.relative_to(root).as_posix()} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def modules_used(*modules, root=PROJECT_ROOT):
    """Dotted names of the modules and of all modules of the package that they import, a set."""
    root = Path(root)
    seen = set()
    waiting = list(modules)
    while waiting:
        module = waiting.pop()
        if module in seen:
            continue
        if _source_of(module, root) is None:
            raise ModuleNotFoundError(f"{module} is not a module below {root}")
        seen.add(module)
        # Importing a.b.c runs a and a.b as well.
        parts = module.split(".")
        waiting.extend(".".join(parts[:count]) for count in range(1, len(parts)))
        waiting.extend(_imports(module, root))
    return seen


def _imports(module, root):
    """Modules of the package that one module imports, at its top or inside its functions."""
    source = _source_of(module, root)
    found = []
    for node in _facts(source)[0]:
        if isinstance(node, ast.Import):
            found.extend(alias.name for alias in node.names if _is_ours(alias.name))
            continue
        base = _base(node, module, source)
        if _is_ours(base):
            found.append(base)
            # "from package import name" may bring in a module or something defined in the package.
            names = [f"{base}.{alias.name}" for alias in node.names]
            found.extend(name for name in names if _source_of(name, root) is not None)
    return found


def _facts(source):
    """Import statements and short strings of a source file, read again only when it changes."""
    status = source.stat()
    return _facts_of_version(source, status.st_mtime_ns, status.st_size)


@cache
def _facts_of_version(source, mtime_ns, size):
    imports, strings = [], set()
    for node in ast.walk(ast.parse(source.read_bytes(), filename=str(source))):
        if isinstance(node, ast.Import | ast.ImportFrom):
            imports.append(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and _could_be_a_file(node.value):
            strings.add(node.value)
    return tuple(imports), tuple(sorted(strings))


def _base(node, module, source):
    """Module that a "from ... import" starts at, with leading dots resolved."""
    if not node.level:
        return node.module or ""
    parts = module.split(".")
    if source.name != "__init__.py":
        parts = parts[:-1]
    parts = parts[: len(parts) - node.level + 1]
    return ".".join([*parts, *([node.module] if node.module else [])])


def _data_files(source, root):
    """Files of the package that a module names in a string, like "qa.schema.json".

    A string counts if a file of that name lies beside the module, at the root of the package or in its data
    folder.
    """
    package = Path(root) / PACKAGE
    for name in _facts(source)[1]:
        for place in (source.parent, package, package / "data"):
            if (place / name).is_file():
                yield place / name


def _could_be_a_file(text):
    return re.fullmatch(r"[\w\-./]{1,100}\.\w+", text) is not None and not text.endswith(".py")


def _source_of(module, root):
    """File of a module, or None if the package has none of that name."""
    path = Path(root).joinpath(*module.split("."))
    for candidate in (path.with_suffix(".py"), path / "__init__.py"):
        if candidate.is_file():
            return candidate
    return None


def _is_ours(name):
    return name == PACKAGE or name.startswith(f"{PACKAGE}.")
