"""The pages in a real browser: Debian's Chromium, headless, at a workshop that ``serve`` runs in another process."""
