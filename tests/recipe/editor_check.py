"""Checks the recipe schema in the real YAML language server, the one that editors run: a script, not a test.

    npm install yaml-language-server
    python -m tests.recipe.editor_check node_modules/.bin/yaml-language-server

It needs Node, which the test suite does not. It opens the shipped recipes as an editor does (their first line names
the schema), and asks for diagnostics, completions and a hover text. Exit code 1 where an answer is not as it should be.
"""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from premix.recipe.reference import FOLDER

HEAD = "# yaml-language-server: $schema=premix.schema.json\nformat: 1\n"
SMALL = HEAD + "mics: {d: {}}\nperformances: {l: {bus: left}}\n"


class Server:
    """The language server, spoken to over its standard input and output (JSON-RPC with Content-Length heads)."""

    def __init__(self, command: str) -> None:
        self.process = subprocess.Popen([command, "--stdio"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.asked = 0
        self.diagnostics: dict[str, list[dict[str, Any]]] = {}
        self.ask("initialize", {"processId": None, "rootUri": FOLDER.as_uri(), "capabilities": {}})
        self.tell("initialized", {})
        settings = {"yaml": {"validate": True, "completion": True, "hover": True, "schemaStore": {"enable": False}}}
        self.tell("workspace/didChangeConfiguration", {"settings": settings})

    def send(self, message: dict[str, Any]) -> None:
        body = json.dumps({"jsonrpc": "2.0", **message}).encode()
        assert self.process.stdin is not None
        self.process.stdin.write(b"Content-Length: %d\r\n\r\n" % len(body) + body)
        self.process.stdin.flush()

    def receive(self) -> dict[str, Any]:
        """The next message; the server's own questions are answered with nothing, diagnostics are kept."""
        assert self.process.stdout is not None
        length = 0
        while line := self.process.stdout.readline().strip():
            if line.lower().startswith(b"content-length:"):
                length = int(line.split(b":")[1])
        message: dict[str, Any] = json.loads(self.process.stdout.read(length))
        if message.get("method") == "textDocument/publishDiagnostics":
            self.diagnostics[message["params"]["uri"]] = message["params"]["diagnostics"]
        elif "method" in message and "id" in message:
            self.send({"id": message["id"], "result": None})
        return message

    def tell(self, method: str, params: dict[str, Any]) -> None:
        self.send({"method": method, "params": params})

    def ask(self, method: str, params: dict[str, Any]) -> Any:
        self.asked += 1
        self.send({"id": self.asked, "method": method, "params": params})
        while True:
            message = self.receive()
            if message.get("id") == self.asked and "method" not in message:
                return message.get("result")

    def open(self, name: str, text: str) -> str:
        """Open a text as a file beside the schema (nothing is written); wait for its diagnostics."""
        uri = (FOLDER / name).as_uri()
        document = {"uri": uri, "languageId": "yaml", "version": 1, "text": text}
        self.tell("textDocument/didOpen", {"textDocument": document})
        while uri not in self.diagnostics:
            self.receive()
        return uri

    def at_end(self, name: str, text: str, question: str) -> Any:
        """What the server answers at the end of a text."""
        uri = self.open(name, text)
        lines = text.split("\n")
        position = {"line": len(lines) - 1, "character": len(lines[-1])}
        return self.ask(f"textDocument/{question}", {"textDocument": {"uri": uri}, "position": position})

    def completions(self, name: str, text: str) -> set[str]:
        answer = self.at_end(name, text, "completion")
        items = answer["items"] if isinstance(answer, dict) else answer
        return {item["label"] for item in items}


def faults(server: Server) -> list[str]:
    """Every answer that is not as it should be."""
    found = []
    for path in sorted(FOLDER.glob("*.yaml")):
        uri = server.open(path.name, path.read_text(encoding="utf-8"))
        found += [f"{path.name}: {entry['message']}" for entry in server.diagnostics[uri]]
    for number, (line, word) in enumerate({"gate: {hodl_ms: 3}": "hodl_ms", "gate: {mode: gat}": "gate"}.items()):
        uri = server.open(f"typo{number}.yaml", SMALL + line + "\n")
        if not any(word in entry["message"] for entry in server.diagnostics[uri]):
            found.append(f"no word about '{line}': {server.diagnostics[uri]}")
    for number, (text, wanted) in enumerate(
        {
            HEAD + "mics:\n  ribbon:\n    ": {"gain_db", "polarity", "role"},
            HEAD + "mics:\n  ribbon:\n    polarity: ": {"auto", "normal", "inverted"},
            SMALL + "gate:\n  ": {"hold_ms", "release_ms", "range_db"},
            SMALL + "guitar_bus:\n  pan_law_db: ": {"-3", "-4.5", "-6", "0"},
        }.items()
    ):
        labels = server.completions(f"completion{number}.yaml", text)
        if not wanted <= labels:
            found.append(f"not completed after '{text[-24:]}': {sorted(wanted - labels)} of {sorted(labels)}")
    hover = server.at_end("hover.yaml", SMALL + "gate:\n  hold_ms: 40", "hover")
    if "stays open" not in json.dumps(hover):
        found.append(f"no description over hold_ms: {hover}")
    return found


def main(arguments: list[str]) -> int:
    """Run the checks against the server that the first argument names."""
    if len(arguments) != 1:
        sys.stderr.write(__doc__ or "")
        return 2
    server = Server(str(Path(arguments[0]).resolve()))
    found = faults(server)
    server.process.terminate()
    sys.stdout.write("\n".join(found or ["the schema works in the language server"]) + "\n")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
