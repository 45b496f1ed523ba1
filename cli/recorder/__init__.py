"""The process that keeps what is played: sound and tables in a folder."""
