"""Reports on the workers of a club's server: an executor of dask.distributed, an optional extra."""

from contextlib import contextmanager

# A worker that is lost this often with one session is not given that session again.
_RETRIES = 2
_PATIENCE_S = 10


class NoCluster(RuntimeError):
    """The cluster's package is not installed, or its scheduler does not answer."""


@contextmanager
def executor_at(address: str):
    """Executor whose tasks run on the workers of a scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, for example ``"tcp://127.0.0.1:8786"``.

    Yields
    ------
    concurrent.futures.Executor

    Raises
    ------
    NoCluster
        If the package is not there, or nobody answers within ten seconds.

    Notes
    -----
    Scheduling, retries and lost workers are dask.distributed's own.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise NoCluster(
            "a scheduler needs the extra package: pip install 'tuninglib[cluster]'; or leave "
            "--scheduler out to use this machine's cores"
        ) from error
    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise NoCluster(
            f"no scheduler answers at {address}; start one with: dask scheduler, and workers "
            "with: dask worker ADDRESS --nthreads 1"
        ) from error
    with client:
        yield client.get_executor(pure=False, retries=_RETRIES)
