"""Addresses that a server, a caller or a chart may print so that a request of ours goes where none should."""

HOST = "ward.example"
BASE = f"http://{HOST}/fhir"

ELSEWHERE = (
    # this machine, its neighbours, and where clouds tell secrets
    "http://127.0.0.1/fhir", "http://localhost/fhir", "http://[::1]/fhir", "http://0.0.0.0/fhir", "http://127.1/fhir",
    "http://2130706433/fhir", "http://0x7f000001/fhir", "http://0177.0.0.1/fhir", "http://[::ffff:127.0.0.1]/fhir",
    "http://[::ffff:7f00:1]/fhir", "http://169.254.169.254/latest/meta-data", "http://[::ffff:a9fe:a9fe]/latest",
    "http://[fd00:ec2::254]/latest", "http://[fe80::1%25eth0]/fhir", "http://10.0.0.1/fhir", "http://192.168.0.1/fhir",
    # names that only look like the server's
    f"http://{HOST}.elsewhere.example/fhir", f"http://elsewhere.example/{HOST}/fhir", f"http://{HOST}./fhir",
    f"http://user:word@{HOST}/fhir", f"http://{HOST}@elsewhere.example/fhir", f"http://{HOST}:80@elsewhere.example/fhir",
    f"http://elsewhere.example#@{HOST}/fhir", f"http://elsewhere.example\\@{HOST}/fhir",
    f"http://{HOST}%2eelsewhere.example/fhir", f"http://{HOST}%00.elsewhere.example/fhir",
    "http://w\u0430rd.example/fhir", "http://\uff57ard.example/fhir", "http://ward\u3002example/fhir",
    # the same host, another door
    f"http://{HOST}:8080/fhir", f"http://{HOST}:99999/fhir", f"https://{HOST}/fhir", f"HTTPS://{HOST.upper()}/fhir",
    f"http://{HOST}/other", f"http://{HOST}/fhir2", f"http://{HOST}/fhir/../admin", f"http://{HOST}/fhir/%2e%2e/admin",
    f"http://{HOST}/fhir/.%2E/admin", f"http://{HOST}/fhir/..%2fadmin", f"http://{HOST}//fhir", f"http://{HOST}/",
    f"http://{HOST}/fhir/Patient/../../x",
    # other schemes, and none
    "file:///etc/passwd", "ftp://ward.example/fhir", "gopher://127.0.0.1:70/_x", "javascript:alert(1)", "data:,x",
    "//elsewhere.example/fhir", "///elsewhere.example/fhir", "ws://ward.example/fhir",
    # what ends a line or an address early
    f"http://{HOST}/fhir\r\nHost: elsewhere.example", f"http://{HOST}/fhir\tx", f"http://{HOST}/fhir x",
    f"http://{HOST}/fhir\x00", f"http://{HOST}\u2028/fhir", "http://[::1/fhir", "http://",
)  # fmt: skip
"""None of them is ever asked."""
