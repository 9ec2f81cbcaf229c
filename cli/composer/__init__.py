"""The composer: one vocabulary, a full-screen view and a line mode over the library's draft."""
