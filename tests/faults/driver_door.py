"""What indiserver starts as the driver: hands its standard streams to a child of the nursery.

Run by a bare interpreter, so that a driver that crashed is there again within a tenth of a second.
It ends when the driver ends, and holds none of the streams meanwhile.
"""

import array
import json
import os
import socket
import sys


def main() -> None:
    door, request = sys.argv[1:3]
    talk = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    talk.connect(door)
    streams = array.array("i", (0, 1, 2)).tobytes()
    talk.sendmsg([request.encode()], [(socket.SOL_SOCKET, socket.SCM_RIGHTS, streams)])
    for number in (0, 1, 2):
        os.close(number)
    said = b""
    while more := talk.recv(4096):
        said += more
    code = json.loads(said.splitlines()[-1]).get("code", 1)
    os._exit(code if 0 <= code < 256 else 1)


main()
