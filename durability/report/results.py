"""What is kept of a run? The results: fit, translations and statements, in open formats.

A results folder holds ``results.nc`` (draws, statistics, translations), ``results.json`` (the
statements; schema in `schema.json` beside this file), ``report.html``, ``report.docx`` and
``provenance.json``. It is written beside its place and moved there whole: a run that dies leaves
the earlier results as they were.
"""

from __future__ import annotations

import datetime
import functools
import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

from durability import catalogue
from durability.decisions import EXPLANATIONS as SKY_EXPLANATIONS
from durability.decisions import Decided, answer, assured, decided
from durability.exposure import FLAGS as EXPOSURE_FLAGS
from durability.exposure import delivery_cautions
from durability.inference import EXPLANATIONS as FIT_EXPLANATIONS
from durability.inference import Fit
from durability.inference.averaged import AveragedFit
from durability.inference.checking.earlier import prior_digest
from durability.inference.checking.last_dose import LastDose
from durability.inference.checking.prior_predictive import changed_book
from durability.inference.crossing import FLAGS as CROSSING_FLAGS
from durability.inference.likelihood import EXPLANATIONS as LIKELIHOOD_FLAGS
from durability.inference.second import SecondLook, second_look
from durability.report.folder import EXTRAS, FILES, ResultsFolderError, refuse_place, write_folder
from durability.report.record import data_groups, lying_of, machine
from durability.retention import FLAGS as RETENTION_FLAGS
from durability.statement import SCHEMA, Statements
from durability.study import FLAGS as STUDY_FLAGS
from durability.study import Caution, Study

if TYPE_CHECKING:
    from durability.inference.checking import Contamination
    from durability.translation import Translation

LIBRARIES = ("arviz", "numba", "numpy", "nutpie", "pvlib", "pymc", "scipy", "xarray")

CAUTIONS = (
    "No direct prediction of service life: strengths and doses compare products under equal"
    " conditions.",
    "Days at a site are approximate: no universal factor leads from lamp hours to time outdoors.",
    "Local codes, the product's standard and the project specification prevail.",
    "Use at a site needs review by a licensed engineer.",
)


BOOK: dict[str, str] = {
    **STUDY_FLAGS,
    **EXPOSURE_FLAGS,
    **RETENTION_FLAGS,
    **SKY_EXPLANATIONS,
    **CROSSING_FLAGS,
    **LIKELIHOOD_FLAGS,
    **FIT_EXPLANATIONS,
}
"""A sentence for every assumption and flag that a statement may name, from the room that set it."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Results:
    """Everything one run says.

    Parameters
    ----------
    study, fit, translations : what was read, fitted and translated.
    statements : every quoted number.
    refused : exposures or sites that could not be translated, with the reason, in words.
    provenance : hashes, versions, seed and settings by which the run can be repeated.
    second : threshold doses by likelihood and from brackets, beside the fit's; None where the fit
        missed its diagnostics.
    assured : lower limits of doses and days at several assurances.
    last_dose : strips of the last dose, hidden and foretold; None where it was not tried.
    decided : what is decided, with what being wrong costs either way.
    folder : where the results lie, or None.
    reused : True when the fit was read back from the folder.
    """

    study: Study
    fit: Fit
    translations: tuple[Translation, ...]
    statements: Statements
    refused: tuple[str, ...]
    provenance: dict[str, Any]
    second: SecondLook | None = None
    assured: Statements = field(default_factory=Statements)
    last_dose: LastDose | None = None
    decided: Decided = field(default_factory=Decided)
    folder: Path | None = None
    reused: bool = False

    def quotable(self) -> Statements:
        """All statements: the run's own, and what second look, decisions and assurances add."""
        return self._quotable

    @functools.cached_property
    def outlying(self) -> Contamination | None:
        """Strips that lie out of the scatter of their lot; None where draws may not be quoted."""
        from durability.inference.checking import contamination

        return contamination(self.fit, refit=False) if self.fit.diagnostics.ok else None

    @functools.cached_property
    def _quotable(self) -> Statements:
        second = self.second.statements() if self.second else ()
        said = {
            s.id: s for s in (*self.assured, *self.decided.statements, *second, *self.statements)
        }
        own = {s.id for s in self.statements}
        return Statements([*self.statements, *(s for name, s in said.items() if name not in own)])

    def cautions(self) -> tuple[Caution, ...]:
        """What is legal but unwise, from the study, its lamps and the translations."""
        found = [*self.study.cautions, *delivery_cautions(self.study)]
        found += [c for t in self.translations for c in t.cautions]
        return tuple({(c.name, c.text): c for c in found}.values())

    def explanations(self) -> dict[str, dict[str, str]]:
        """Sentences for every assumption and flag that a statement names."""
        used = {
            kind: sorted({name for s in self.quotable() for name in getattr(s, kind)})
            for kind in ("assumptions", "flags")
        }
        return {kind: {n: BOOK[n] for n in names} for kind, names in used.items()}

    def to_document(self) -> dict[str, Any]:
        """The content of results.json."""
        from durability.report.model_checks import to_record
        from durability.report.sentences import key_sentences

        study = self.study
        return {
            "schema": SCHEMA,
            "study": {
                "title": study.title,
                "property": study.property,
                "unit": study.unit,
                "laboratory": study.laboratory,
                "source": study.source,
                "invented": study.invented,
                "materials": list(study.materials),
                "exposures": {e.name: e.dose_unit for e in study.exposures.values()},
                "thresholds": list(study.thresholds),
                "required_strength": study.required_strength,
                "report": dict(study.front.rows()),
            },
            "in_the_open": lying_of(study),
            "fit": {
                "law": self.fit.law,
                "errors": self.fit.model.errors,
                "model": self.fit.model.equation(),
                "priors": changed_book(self.fit.model),
                "strips": self.fit.model.n_strips,
                "diagnostics": self.fit.diagnostics.to_dict(),
                **to_record(self),
            },
            "last_dose_hidden": self.last_dose.to_dict() if self.last_dose else None,
            "answer": key_sentences(self),
            "statements": self.statements.to_list(),
            **self._beside(),
            "decisions": [d.to_dict() for d in self.decided.decisions],
            "ahead": self.decided.ahead.to_dict(),
            **self.explanations(),
            "budgets": [b for t in self.translations for b in budget_records(t)],
            "not_translated": list(self.refused),
            "cautions": [
                {"name": c.name, "text": c.text, "file": c.file, "row": c.row}
                for c in self.cautions()
            ],
            "standing_cautions": list(CAUTIONS),
            "run": {k: self.provenance[k] for k in ("created", "seed", "version")},
        }

    def _beside(self) -> dict[str, list[dict[str, Any]]]:
        own = {s.id for s in self.statements}
        kinds = {
            "second_look": self.second.statements() if self.second else (),
            "assured": self.assured,
            "decided_from": self.decided.statements,
        }
        return {k: [s.to_dict() for s in said if s.id not in own] for k, said in kinds.items()}

    def rows(self) -> list[tuple[str, str]]:
        """(label, text) pairs that the repr shows."""
        return [
            ("study", self.study.title),
            ("law", self.fit.law),
            ("check", str(self.fit.diagnostics)),
            ("says", f"{len(self.statements)} statements"),
            ("sites", ", ".join(t.title for t in self.translations) or "none"),
            ("folder", self.folder.name if self.folder else "not written"),
        ]

    def __repr__(self) -> str:
        return "Results\n" + "\n".join(f"  {a:<7} {b}" for a, b in self.rows())

    def _repr_html_(self) -> str:
        return self.statements._repr_html_()


def budget_records(translation: Translation) -> list[dict[str, Any]]:
    """The budget of a translation as records: one a material, laying and input.

    A share is None where too few draws reach the threshold to tell.
    """
    budget = translation.budget
    share = budget["share"]
    return [
        {
            "site": translation.site,
            "material": str(m),
            "laying": str(laying),
            "month": _month(budget["month"].sel(material=m, laying=laying)),
            "input": str(name),
            "share": _share(share.sel(material=m, laying=laying, input=name)),
        }
        for m in budget["material"].values
        for laying in budget["laying"].values
        for name in budget["input"].values
    ]


def _month(value: Any) -> int | None:
    return None if value.isnull() else int(value)


def _share(value: Any) -> float | None:
    return None if value.isnull() else round(float(value), 4)


def model_hashes() -> dict[str, str]:
    """SHA-256 of every file of models/, by its path there."""
    root = catalogue.models_folder()
    kinds = (".toml", ".gz", ".npz")
    files = sorted(p for p in root.rglob("*") if p.is_file() and p.suffix in kinds)
    return {p.relative_to(root).as_posix(): catalogue.sha256(p) for p in files}


def source_hash() -> str:
    """Hash of the source of this package, templates included: between two versions it tells too."""
    package = Path(__file__).parent.parent
    source = hashlib.sha256()
    for file in sorted(p for kind in ("py", "j2", "js") for p in package.rglob(f"*.{kind}")):
        source.update(file.read_bytes())
    return source.hexdigest()


def provenance(
    study: Study, *, law: str, errors: str, seed: int, settings: dict[str, Any]
) -> dict[str, Any]:
    """What a run depends on; ``key`` is equal for runs that must give the same fit."""
    from durability import __version__

    choices = asdict(study.choices) | {"prior_from": prior_digest(study)}
    del choices["law"], choices["errors"]  # what was used of them stands beside
    in_the_open = any(x.site is not None for x in study.exposures.values())
    depends = {
        "inputs": study.inputs,
        "models": {k: v for k, v in model_hashes().items() if not k.startswith("sites/")},
        "law": law,
        "errors": errors,
        "seed": seed,
        "settings": settings,
        "version": __version__,
        "model": choices,
        "wetness": study.question.wetness and in_the_open,  # acts on strips in the open
    }
    text = json.dumps(depends, sort_keys=True)
    return {
        **depends,
        "models": model_hashes(),
        "libraries": {name: metadata.version(name) for name in LIBRARIES},
        "machine": machine(),
        "source": source_hash(),
        "key": hashlib.sha256(text.encode()).hexdigest(),
        "created": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
    }


def whole_key(
    record: dict[str, Any], *, level: float, sites: Sequence[str | Path], lying: dict[str, Any]
) -> str:
    """Equal for runs that must write the same report: the fit's key and all that comes after.

    Counts the level, the sites (by name, or by content for a file), what is said of fabric in the
    open, site files, library versions and the source of this package, templates included.
    """
    places = [catalogue.sha256(Path(s)) if Path(s).is_file() else str(s) for s in sites]
    depends = [
        record["key"],
        level,
        places,
        lying,
        record["models"],
        record["libraries"],
        record["source"],
    ]
    return hashlib.sha256(json.dumps(depends, sort_keys=True).encode()).hexdigest()


def stored_document(folder: Path, whole: str) -> dict[str, Any] | None:
    """results.json of a folder that holds a whole report made from the same things, else None."""
    try:
        kept = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
        if kept.get("whole") != whole or any(not (folder / name).is_file() for name in FILES):
            return None
        return json.loads((folder / "results.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, AttributeError):
        return None


def save(results: Results, folder: Path) -> None:
    """Write results.nc, results.json and provenance.json into a folder that exists."""
    import xarray

    tree = {f"/{k}": v.to_dataset() for k, v in results.fit.to_datatree().children.items()}
    for t in results.translations:
        tree[f"/translation/{t.site}"] = t.to_dataset()
    tree["/statements"] = results.statements.to_dataset()
    tree |= data_groups(results.study)
    xarray.DataTree.from_dict(tree).to_netcdf(folder / "results.nc", engine="h5netcdf")
    _write_json(folder / "results.json", results.to_document())
    _write_json(folder / "provenance.json", results.provenance)


def keep_fit(fit: Fit, record: dict[str, Any], folder: Path) -> None:
    """Write a fit and its statements, without translations or report, to a results folder."""
    results = collect(fit, (), (), record)
    write_folder(folder, lambda fresh: save(results, fresh))


def _write_json(file: Path, content: Any) -> None:
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    file.write_text(text + "\n", encoding="utf-8")


def stored_fit(folder: Path, study: Study, key: str, *, law: Any, level: float) -> Fit | None:
    """The fit kept in a results folder, if it was made from the same things."""
    import xarray

    try:
        kept = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))
        if not isinstance(kept, dict) or kept.get("key") != key:
            return None
        with xarray.open_datatree(folder / "results.nc", engine="h5netcdf") as tree:
            if "mixture" in tree.children:
                return AveragedFit.of_datatree(study, tree.load(), level=level)
            return Fit.from_datatree(study, tree.load(), law=law, level=level)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def read_results(folder: str | Path) -> tuple[Statements, dict[str, Any]]:
    """Statements and document of a results folder.

    Parameters
    ----------
    folder : a folder that `durability.report` wrote.

    Returns
    -------
    Statements, and the whole content of results.json.
    """
    from durability.statement import Statement

    document = json.loads((Path(folder) / "results.json").read_text(encoding="utf-8"))
    if document.get("schema") != SCHEMA:
        raise ValueError(f"results.json has schema {document.get('schema')!r}; expected {SCHEMA!r}")
    return Statements(Statement.from_dict(r) for r in document["statements"]), document


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) that every results.json keeps.

    Examples
    --------
    >>> schema()["properties"]["schema"]
    {'const': 'durability-results/1'}
    """
    text = (Path(__file__).with_name("schema.json")).read_text(encoding="utf-8")
    return json.loads(text)


def collect(
    fit: Fit,
    translations: Sequence[Translation],
    refused: Sequence[str],
    record: dict[str, Any],
    *,
    sites: Sequence[str | Path] = (),
) -> Results:
    """All that a fit and its translations say; `sites` are those asked for, names or files."""
    said = answer(fit, translations)
    ok = fit.diagnostics.ok
    limits = assured(fit, translations) if ok else Statements()
    return Results(
        study=fit.study,
        fit=fit,
        translations=tuple(translations),
        statements=said,
        refused=tuple(refused),
        provenance=record,
        second=second_look(fit) if ok else None,
        assured=limits,
        decided=decided(fit, translations, said, limits, sites=sites) if ok else Decided(),
    )


__all__ = [
    "CAUTIONS", "EXTRAS", "FILES", "LIBRARIES", "Results", "ResultsFolderError", "budget_records",
    "collect", "keep_fit", "model_hashes", "provenance", "read_results", "refuse_place", "save",
    "schema", "source_hash", "stored_document", "stored_fit", "whole_key", "write_folder",
]  # fmt: skip
