"""`sonify batch`: the jobs of a list, on this machine or on a cluster."""

from __future__ import annotations

import contextlib
import importlib
import json
import logging
import os
import shutil
from collections.abc import Generator, Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import click
from click import IntRange, option

from sonify import __version__
from sonify.atomic import cannot_write, make_folder, write_data
from sonify.cli.batch_job import Made, end, make, stop
from sonify.cli.batch_list import Job, digest, jobs_of
from sonify.cli.common import plain, with_options
from sonify.cli.usual import SCHEMA, config_presets, say, told_json
from sonify.errors import OutputError, plural
from sonify.limits import most

__all__ = ["batch"]

MANIFEST = "manifest.jsonl"
WORKING = ".batch"
ANSWER_S = 30
"""How long a scheduler or its first worker may take to answer (Dask's own limit to connect)."""


@click.command()
@click.argument("list_file", metavar="LIST")
@with_options(
    option(
        "-o", "--output", "folder", metavar="DIR", required=True, help="The folder to write to.",
    ),
    option(
        "--workers", type=IntRange(1, 256), metavar="N",
        help="How many jobs run at once. [default: one for each core, at most 4]",
    ),
    option(
        "--cluster", metavar="ADDRESS",
        help="Run the jobs on the Dask scheduler at this address, such as tcp://192.0.2.7:8786. "
        "Its workers must see both folders under the same paths.",
    ),
)  # fmt: skip
def batch(list_file: str, folder: str, workers: int | None, cluster: str | None) -> None:
    """Make the outputs of many discs or presets from a list.

    LIST is a TOML file with a table [[job]] for each job: `command` (make, unless another is
    named), its `output` below DIR, and its arguments and options by their names: `disc`,
    `preset`, `size = "640x360"`, `calm = true`, a table `set`. Keys above the first job are for
    all. Relative paths begin at the list. Jobs run in any order, so none can use what another one
    makes.

    DIR/manifest.jsonl has a line for each job: its command, the digests (SHA-256) of its files
    and of the files that its command names, its cautions, or why it failed. A batch that was
    stopped goes on when it is called again: jobs whose lines still hold are not run. A failed job
    stops no other; the exit status is then 1. To make a job again, delete its file or its line.

    Caution: moving light can harm people with photosensitive epilepsy, and loud sound can damage
    hearing. Read the cautions before you show or play the results.

    \b
    Examples:
      sonify batch festival.toml -o festival
      sonify batch festival.toml -o festival --workers 8
      sonify batch festival.toml -o /shared/festival --cluster tcp://192.0.2.7:8786
    """
    path, target = Path(list_file), Path(folder)
    jobs = jobs_of(path)
    home = path.absolute().parent
    make_folder(target)
    with _alone(target) as working:
        asked = {job.output: _asked(job, home) for job in jobs}
        lines = _held(target, asked)
        left = [job for job in jobs if job.output not in lines]
        before, failed = len(lines), 0
        taken = {name for line in lines.values() for name in line["files"]}
        if cluster is None:
            runs = _here(left, home, working, workers)
        else:
            runs = _on_cluster(left, home, working, cluster)
        with contextlib.closing(runs), open(target / MANIFEST, "ab", buffering=0) as manifest:
            for job, done in runs:
                line = asked[job.output] | _kept(done, target, taken)
                lines[job.output] = line
                # one write of a whole line
                manifest.write(_text(line))
                os.fsync(manifest.fileno())
                failed += "error" in line
                _tell(line)
        # in the order of the list, whichever job ended first
        write_data(target / MANIFEST, b"".join(_text(lines[job.output]) for job in jobs))
    made = len(jobs) - before - failed
    say(f"{plural(len(jobs), 'job')}: {made:,} made, {before:,} made before")
    told_json(target / MANIFEST, jobs=len(jobs), made=made, before=before, failed=failed)
    if failed:
        raise OutputError(
            f"{failed:,} of {plural(len(jobs), 'job')} failed", file=target / MANIFEST
        )


def _text(line: dict[str, Any]) -> bytes:
    return json.dumps(line, ensure_ascii=False).encode() + b"\n"


def _tell(line: dict[str, Any]) -> None:
    name = plain(line["output"])
    if "error" in line:
        click.echo(f"failed: {name}: {plain(line['error'])}", err=True)
        return
    say(f"{name}  {plural(len(line['files']), 'file')}")
    for one in line["said"]:
        if one.startswith("caution: "):
            click.echo(f"{name}: {plain(one)}", err=True)


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[Path]:
    """An empty folder to work in; the folder around it is kept from other batches."""
    lock = None
    with contextlib.suppress(ImportError):
        import fcntl

        lock = os.open(folder, os.O_RDONLY)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise OutputError("another batch is writing to this folder", file=folder) from None
        except OSError:
            # not every file system has locks
            pass
    working = folder.absolute() / WORKING
    try:
        shutil.rmtree(working, ignore_errors=True)
        make_folder(working)
        yield working
    finally:
        shutil.rmtree(working, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _held(folder: Path, asked: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """The lines of the manifest that still hold, by the output of their jobs."""
    path = folder / MANIFEST
    try:
        # what a power cut left of a last line is no line
        written = path.read_bytes().split(b"\n")[:-1]
    except FileNotFoundError:
        return {}
    except OSError as e:
        raise cannot_write(e, path) from None
    lines = {}
    for text in written:
        with contextlib.suppress(ValueError, TypeError, KeyError):
            line = json.loads(text)
            lines[line["output"]] = line
    write_data(path, b"".join(map(_text, lines.values())))

    def holds(output: str) -> bool:
        line = lines.get(output, {})
        same = all(line.get(key) == value for key, value in asked[output].items())
        try:
            return same and all(digest(folder / n) == d for n, d in line["files"].items())
        except (OSError, KeyError, AttributeError):
            return False

    with ThreadPoolExecutor() as pool:
        held = [name for name, is_so in zip(asked, pool.map(holds, asked), strict=True) if is_so]
    return {name: lines[name] for name in held}


def _asked(job: Job, home: Path) -> dict[str, Any]:
    """What the files of a job depend on."""
    own = {path: digest(home / path) for path in config_presets() if os.path.isfile(home / path)}
    return {
        "schema": SCHEMA, "output": job.output, "command": job.command, "version": __version__,
        "inputs": job.inputs(home) | own,
    }  # fmt: skip


def _kept(made: Made, folder: Path, taken: set[str]) -> dict[str, Any]:
    """Move what a job made into the folder, unless another one has `taken` a file's name.

    Returns
    -------
    dict
        What the manifest says about it.
    """
    error = made.error
    if error is None and not made.files:
        error = "it made no file"
    if error is None and (both := sorted(taken & made.files.keys())):
        error = f"another job has already made {both[0]}"
    try:
        for name in () if error else made.files:
            place = folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            os.replace(made.folder / name, place)
    except OSError as e:
        error = cannot_write(e, place).say()
    shutil.rmtree(made.folder, ignore_errors=True)
    if error is not None:
        return {"error": error}
    taken.update(made.files)
    return {"files": made.files, "said": made.said}


Runs = Generator[tuple[Job, Made]]


def _here(jobs: list[Job], home: Path, working: Path, workers: int | None) -> Runs:
    """Run jobs on this machine."""
    pool = ThreadPoolExecutor(workers or most())
    try:
        waiting = {pool.submit(make, job, home, working): job for job in jobs}
        for done in as_completed(waiting):
            yield waiting.pop(done), done.result()
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        stop()
        pool.shutdown()
        end()


def _on_cluster(jobs: list[Job], home: Path, working: Path, address: str) -> Runs:
    """Run jobs on the workers of a Dask scheduler, which gives those of a lost one to others."""
    from sonify.extras import require

    require("cluster")
    distributed: Any = importlib.import_module("distributed")
    # the latter tells of results that were lost with a worker, which are made again
    for name in ("distributed", "distributed.client"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        client = distributed.Client(address, timeout=ANSWER_S)
    except (OSError, ValueError) as e:
        what = f"no Dask scheduler answers at {address} ({plain(str(e), 200)})"
        raise OutputError(what) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=ANSWER_S)
        except TimeoutError:
            raise OutputError(f"no worker has joined the scheduler at {address}") from None
        for worker, lacks in client.run(_lacks, __version__, [str(home), str(working)]).items():
            if lacks:
                raise OutputError(f"the worker {worker} can't take jobs: {lacks}")
        waiting = {client.submit(make, job, home, working, pure=False): job for job in jobs}
        for done in distributed.as_completed(list(waiting)):
            try:
                made = done.result()
            except Exception as e:
                what = f"the cluster gave it up ({plain(str(e), 200)})"
                made = Made(working / "none", {}, [], what)
            yield waiting.pop(done), made


def _lacks(version: str, folders: list[str]) -> str:
    """What a worker lacks for the same results; empty if nothing."""
    if version != __version__:
        return f"it has sonify {__version__}, and this is {version}"
    missing = [f for f in folders if not os.path.isdir(f)]
    return f"it sees no folder {missing[0]}" if missing else ""
