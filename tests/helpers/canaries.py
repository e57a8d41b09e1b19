"""Files that give themselves away when Python, Jupyter or a library takes them for its own."""

from __future__ import annotations

import sys
from pathlib import Path

# What looks like configuration that is also code, by the names under which its owners look for it.
_CONFIGURATION = (
    "ipython_config.py", "ipython_kernel_config.py", "jupyter_config.py", "jupyter_server_config.py",
    "jupyter_notebook_config.py", "jupyter_lab_config.py", "jupyter_nbconvert_config.py",
    "profile_default/ipython_config.py", "profile_default/startup/00-first.py", ".ipython/profile_default/startup/0.py",
)  # fmt: skip
_INSTALLED = (
    "sitecustomize", "usercustomize", "conftest", "pullbook", "IPython", "ipykernel", "ipykernel_launcher", "jupyter",
    "jupyter_client", "jupyter_core", "nbclient", "nbconvert", "nbformat", "papermill", "numpy", "pandas", "scipy",
    "statsmodels", "plotly", "pyarrow", "gpxpy", "lxml", "metar", "pydantic", "ruamel", "tqdm", "yaml", "zmq",
    "traitlets", "tornado", "distributed", "dask", "ipywidgets", "PIL", "matplotlib", "debugpy", "psutil", "bottleneck",
    "numexpr", "xlrd", "openpyxl", "fastparquet", "simplejson", "orjson", "ujson", "gnureadline", "readline",
)  # fmt: skip


def plant(folder: Path, mark: Path) -> None:
    """Plant a module for every name that might be imported; each writes its own into ``mark`` and imports nothing."""
    modules = [name for name in (*sys.stdlib_module_names, *_INSTALLED) if name not in sys.builtin_module_names]
    for name in (*(f"{name}.py" for name in modules), *_CONFIGURATION):
        place = folder / name
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(f"with open({str(mark)!r}, 'a') as mark: mark.write({name!r} + '\\n')\n", encoding="utf-8")
    (folder / "matplotlibrc").write_text("backend: module://canary\n", encoding="utf-8")
    (folder / "jupyter_server_config.json").write_text('{"ServerApp": {"jpserver_extensions": {"canary": true}}}')
