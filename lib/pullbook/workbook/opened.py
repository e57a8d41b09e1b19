"""The files of the lab, with one notebook that is run before it is first handed out.

The kernel works while the browser still loads JupyterLab, and the notebook arrives with its outputs and its kernel. So
nobody has to choose Run All Cells, and nothing is asked of a page that is not ready for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Any

import nbformat
from jupyter_server.services.contents.largefilemanager import AsyncLargeFileManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from tornado.ioloop import IOLoop
from traitlets import Unicode

from pullbook.workbook.execute import FEWER_COLLECTIONS

LONGEST_RUN_S = 600


class Opened(AsyncLargeFileManager):
    """A contents manager that runs a notebook in the kernel that the lab will find for it."""

    run_first = Unicode(help="The notebook, from the root folder.").tag(config=True)

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._done: asyncio.Event | None = None
        if self.run_first:
            IOLoop.current().add_callback(self._run)

    async def get(self, path: str, content: bool = True, *args: Any, **options: Any) -> dict[str, Any]:
        """Return a file or a folder; the notebook's contents once it has run. A list of files waits for nothing."""
        if content and self._done is not None and path.strip("/") == self.run_first:
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._done.wait(), LONGEST_RUN_S)
        found: dict[str, Any] = await super().get(path, content, *args, **options)  # type: ignore[no-untyped-call]
        return found

    async def _run(self) -> None:
        """Run the notebook to its end: a cell that fails shows its error, as in the lab."""
        self._done = asyncio.Event()
        try:
            server: Any = self.parent
            place = Path(self.root_dir, self.run_first)
            notebook = nbformat.reads(place.read_text(encoding="utf-8"), as_version=4)  # type: ignore[no-untyped-call]
            session = await server.session_manager.create_session(
                path=self.run_first, name=self.run_first, type="notebook", kernel_name="python3"
            )
            kernel = server.kernel_manager.get_kernel(session["kernel"]["id"])
            client = NotebookClient(notebook, km=kernel, timeout=LONGEST_RUN_S, store_widget_state=False)
            with contextlib.suppress(CellExecutionError):
                async with client.async_setup_kernel():
                    assert client.kc is not None  # since it was set up
                    client.kc.execute(FEWER_COLLECTIONS, silent=True)
                    for index, cell in enumerate(notebook.cells):
                        await client.async_execute_cell(cell, index)
            place.write_text(json.dumps(notebook, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
            self.notary.sign(notebook)  # type: ignore[no-untyped-call]
        except Exception:
            self.log.exception("the notebook has not run. In the lab choose Run, Run All Cells")
        finally:
            self._done.set()
