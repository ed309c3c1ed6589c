"""Statistics that a committee asks for: counts, margins, control charts, waits. No person is named or counted here.

`charts`, `counts`, `margins`, `responses`, `failures`, `groups` and `soaks` are pure; `stored` asks the store, `asked`
reads what is asked, `sheet` puts one answer together, `sayings` and `spelled` say it, `tables` are for download,
`pages` answers.
"""
