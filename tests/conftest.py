"""Makes the helpers beside this file (`builders`, `inbox_server`) importable by every ring of tests."""
