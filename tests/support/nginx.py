"""A real web server for transfers: a large file to fetch, an address that takes uploads, bad answers."""

import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from support.need import need_program
from whichhop.net.clock import sleep_s

CONF = """\
daemon off;
pid {folder}/pid;
error_log {folder}/error.log;
worker_processes 1;
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  types {{ application/octet-stream bin; text/html html; }}
  server {{
    listen {address}:{port};
    root {folder}/www;
    location /up {{
      client_max_body_size 0;
      proxy_http_version 1.1;
      proxy_pass http://{address}:{inner};
    }}
    location /loop {{ return 302 /loop; }}
    location /page {{ default_type text/html; return 200 "<p>log in first</p>"; }}
  }}
  server {{
    listen {address}:{inner};
    location / {{ client_max_body_size 0; return 200; }}
  }}
}}
"""
FILE_OCTETS = 2_000_000_000


@contextmanager
def web_server(
    folder: Path, address: str, port: int, inside: Sequence[str] = ()
) -> Iterator["subprocess.Popen[bytes]"]:
    """nginx on an address; `inside` starts it in a namespace. The file is /large.bin, sparse on the disk."""
    program = need_program("nginx")
    (folder / "www").mkdir(parents=True)
    for name, size in (("large.bin", FILE_OCTETS), ("small.bin", 1000)):
        with (folder / "www" / name).open("wb") as file:
            file.truncate(size)
    # Its worker may run as another user, which must be able to read what is served.
    for one in (folder, *folder.parents[:2], folder / "www"):
        if one.owner() == "root" and str(one).startswith("/tmp/"):
            one.chmod(0o755)
    conf = folder / "nginx.conf"
    conf.write_text(CONF.format(folder=folder, address=address, port=port, inner=port + 1))
    with subprocess.Popen(
        [*inside, program, "-e", str(folder / "error.log"), "-c", str(conf)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    ) as running:
        try:
            for _ in range(100):
                if (folder / "pid").exists() and (folder / "pid").read_text().strip():
                    break
                assert running.poll() is None, (folder / "error.log").read_text()
                sleep_s(0.05)
            yield running
        finally:
            running.terminate()
            running.wait(10)
