"""Text that is code somewhere: in a page, a template, a script or a path."""

PAYLOADS = (
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(2)</script>",
    "${alert(3)}",
    "`+alert(4)+`",
    "{{7*7}}",
    "{{cycler.__init__.__globals__.os.getpid()}}",
    "a {% b",
    "keep{# lost #}me",
    "C:\\x\\u0041 \\",
)
