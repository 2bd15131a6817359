"""How are many studies done at once? Each in its own process, into its own results folder.

Studies whose report is there already and would come out the same are left as they are, so that a
batch that was broken off goes on where it stood. Dask spreads the work, over this machine or over a
cluster by its address; without dask one study is done after another.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

NO_DASK = 'install dask to spread studies: pip install "durability[spread]"'
NO_CLUSTER = "an address needs dask's distributed scheduler: pip install distributed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """How one study of a batch went.

    Parameters
    ----------
    study : its folder.
    state : ``"written"``, ``"unchanged"``, ``"problems"`` (bad input), ``"failed"`` (diagnostics,
        or the folder) or ``"fault"`` (an error of the program).
    words : the first sentence of the answer, or what stopped it.
    results : the results folder.
    seconds : taken.
    """

    study: str
    state: str
    words: str
    results: str
    seconds: float

    def to_dict(self) -> dict[str, Any]:
        """Plain types for JSON."""
        return asdict(self)


def batch(
    studies: Sequence[str | Path],
    *,
    out: str | Path | None = None,
    workers: int | None = None,
    address: str | None = None,
    sites: Sequence[str | Path] | None = None,
    law: str | Path | None = None,
    errors: str | None = None,
    level: float | None = None,
    seed: int = 0,
    choices: Mapping[str, Any] | None = None,
    question: Mapping[str, Any] | None = None,
    progress: Callable[[Done, int], None] | None = None,
) -> list[Done]:
    """Report on many studies.

    Parameters
    ----------
    studies : folders.
    out : folder for the results of all, one folder each by the study's name; by default each
        study's own ``results``.
    workers : processes at once; as many as cores by default, 1 does without dask.
    address : of a dask scheduler, such as ``"tcp://10.0.0.5:8786"``; its workers must see the same
        folders.
    sites, law, errors, level, seed : as in `durability.report`.
    choices : of the model, as `durability.study.choices.with_choices` takes them.
    question : fields of `durability.study.model.Question` that are asked of every study.
    progress : called with each study that is done and how many are.

    Returns
    -------
    list of Done, in the order of `studies`.

    Raises
    ------
    ValueError : two studies of one name share `out`, or dask is asked for and not installed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     [done] = batch(["examples/nowhere"], out=place, workers=1)
    >>> done.state
    'problems'
    """
    folders = [Path(s) for s in studies]
    places = _places(folders, None if out is None else Path(out))
    options = {"sites": sites, "law": law, "errors": errors, "level": level, "seed": seed}
    made = {"choices": dict(choices or {}), "question": dict(question or {})}
    jobs = [(str(f), str(p), options, made) for f, p in zip(folders, places, strict=True)]
    if address is not None:
        found = _on_cluster(jobs, address)
    elif workers == 1 or len(jobs) == 1 or not _has_dask(workers):
        found = (one_study(*job) for job in jobs)
    else:
        found = _here(jobs, workers)
    done: list[Done] = []
    for one in found:
        done.append(one)
        if progress is not None:
            progress(one, len(done))
    order = {str(f): i for i, f in enumerate(folders)}
    return sorted(done, key=lambda d: order[d.study])


def _places(folders: Sequence[Path], out: Path | None) -> list[Path]:
    if out is None:
        return [f / "results" for f in folders]
    names = [f.resolve().name for f in folders]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise ValueError(f"several studies are called {', '.join(twice)}; rename one, or leave out"
                         " --out")  # fmt: skip
    return [out / n for n in names]


def one_study(
    folder: str, place: str, options: dict[str, Any], made: dict[str, dict[str, Any]]
) -> Done:
    """Report on one study; whatever goes wrong becomes words, so that the others go on."""
    from durability.report.run import FitFailed, report, unchanged_report
    from durability.study import StudyError, read_study
    from durability.study.choices import with_choices

    started = time.perf_counter()

    def told(state: str, words: str) -> Done:
        return Done(study=folder, state=state, words=words, results=place,
                    seconds=round(time.perf_counter() - started, 2))  # fmt: skip

    try:
        study = with_choices(read_study(folder), **made["choices"])
        study = replace(study, question=replace(study.question, **made["question"]))
        document = unchanged_report(study, out=Path(place), **options)
        if document is not None:
            return told("unchanged", document["answer"][0])
        Path(place).parent.mkdir(parents=True, exist_ok=True)
        results = report(study, out=place, **options)
        return told("written", results.to_document()["answer"][0])
    except StudyError as error:
        count = len(error.problems)
        more = f" (and {count - 1} more)" if count > 1 else ""
        return told("problems", f"{error.problems[0]}{more}")
    except (FitFailed, LookupError, ValueError, OSError) as error:
        return told("failed", str(error.args[0]) if error.args else str(error))
    except Exception as error:
        return told("fault", f"{type(error).__name__}: {error}")


def _has_dask(workers: int | None) -> bool:
    import importlib.util

    if importlib.util.find_spec("dask") is not None:
        return True
    if workers is not None:
        raise ValueError(NO_DASK)
    return False


def _here(jobs: Sequence[tuple[Any, ...]], workers: int | None) -> Any:
    """One process a study, as many at once as asked; answers as they come."""
    import os

    import dask

    # dask answers all at once: rounds of as many studies as processes show how far it is
    size = workers or os.cpu_count() or 1
    for first in range(0, len(jobs), size):
        tasks = [dask.delayed(one_study, pure=False)(*job) for job in jobs[first : first + size]]  # pyright: ignore
        yield from dask.compute(*tasks, scheduler="processes", num_workers=size)  # pyright: ignore


def _on_cluster(jobs: Sequence[tuple[Any, ...]], address: str) -> Any:
    try:
        from distributed import Client, as_completed  # pyright: ignore[reportMissingImports]
    except ImportError as error:
        raise ValueError(NO_CLUSTER) from error
    with Client(address) as client:
        futures = [client.submit(one_study, *job, pure=False) for job in jobs]
        for future in as_completed(futures):
            yield future.result()
