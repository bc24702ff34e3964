"""Who may look at the pages: passwords, sessions, tokens, waits after wrong tries, links in mails."""
