"""The scenarios below this folder are material of tests, and no tests of their own."""

collect_ignore_glob = ["*.toml"]
