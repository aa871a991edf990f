package paper

// htmlStyle is quiet paper: black on white, one typeface, wide margins, rules
// only above and below tables; header rows repeated and rows kept whole where
// the page is printed.
const htmlStyle = `
@page { margin: 18mm 17mm 20mm 22mm; @bottom-right { content: "page " counter(page) " of " counter(pages); font: 7.5pt sans-serif; } }
@page wide { size: landscape; }
html { background: #fff; color: #000; }
body { font: 9.5pt/1.45 sans-serif; max-width: 46em; margin: 2.5em auto; padding: 0 1.5em; overflow-wrap: break-word; }
body.wide { max-width: 72em; page: wide; }
h1 { font-size: 18pt; line-height: 1.2; margin: 0 0 .2em; }
h2 { font-size: 13pt; margin: 1.8em 0 .5em; }
h3 { font-size: 11pt; margin: 1.5em 0 .4em; }
h4 { font-size: 9.5pt; margin: 1.3em 0 .3em; }
h1, h2, h3, h4 { break-after: avoid; }
p { margin: 0 0 .7em; }
p.subtitle { font-size: 11pt; }
p.line { margin: 0 0 .25em; min-height: .5em; }
p.item { padding-left: .8em; text-indent: -.8em; }
dl { display: grid; grid-template-columns: fit-content(35%) 1fr; gap: .15em 1.5em; margin: .8em 0 1.2em; }
dt, dd { margin: 0; min-width: 0; overflow-wrap: anywhere; }
section.caution { break-inside: avoid; border-left: 2.5pt solid #000; margin: 1.4em 0; padding: .1em 0 .1em 1em; }
section.caution h2 { font-size: 9.5pt; margin: 0 0 .3em; }
table { border-collapse: collapse; width: 100%; font-size: 8.5pt; line-height: 1.35; margin: .6em 0 1.4em; border-top: .8pt solid #000; font-variant-numeric: tabular-nums; }
table.plain { width: auto; }
caption { text-align: left; font-weight: bold; font-size: 9.5pt; padding-bottom: .4em; }
thead { display: table-header-group; }
tfoot { display: table-footer-group; }
tfoot td { border-bottom: .8pt solid #000; padding: 0; }
tr { break-inside: avoid; }
th, td { text-align: left; vertical-align: top; padding: .22em 1.1em .22em 0; }
th:last-child, td:last-child { padding-right: 0; }
th { vertical-align: bottom; padding-bottom: .45em; }
th.middle, td.middle { text-align: center; }
th.right, td.right { text-align: right; }
.short { white-space: nowrap; }
.mono, pre { font-family: monospace; }
.bold { font-weight: bold; }
.pad { visibility: hidden; }
.long { overflow-wrap: anywhere; }
.w5 { width: 5%; } .w10 { width: 10%; } .w15 { width: 15%; } .w20 { width: 20%; } .w25 { width: 25%; } .w30 { width: 30%; } .w35 { width: 35%; }
.w40 { width: 40%; } .w45 { width: 45%; } .w50 { width: 50%; } .w55 { width: 55%; } .w60 { width: 60%; } .w65 { width: 65%; } .w70 { width: 70%; }
.w75 { width: 75%; } .w80 { width: 80%; } .w85 { width: 85%; } .w90 { width: 90%; } .w95 { width: 95%; } .w100 { width: 100%; }
pre { font-size: 8.5pt; line-height: 1.35; white-space: pre-wrap; margin: .6em 0 1.2em 1em; }
figure { margin: 1em 0 1.4em; break-inside: avoid; }
div.beside { display: flex; flex-wrap: wrap; gap: 0 2em; align-items: flex-start; }
div.beside dl { flex: 1 1 12em; grid-template-columns: fit-content(60%) 1fr; margin-top: 0; font-size: 8.5pt; }
svg { max-width: 100%; height: auto; }
figcaption { font-size: 8.5pt; margin-top: .3em; }
div.sign { display: grid; grid-template-columns: 3fr 3fr 2fr 4fr; gap: 0 1.2em; margin-top: 3.4em; break-inside: avoid; }
div.sign div { border-top: .5pt solid #000; font-size: 7.5pt; padding-top: .2em; }
div.sign b { display: block; font-weight: normal; font-size: 9.5pt; height: 1.8em; margin-top: -2.1em; padding-bottom: .3em; }
div.break { break-after: page; }
@media print { body { max-width: none; margin: 0; padding: 0; } }
`

// Revision and digest in the foot of each printed page stand between these two.
const (
	htmlFootStart = `@page { @bottom-left { content: "`
	htmlFootEnd   = `"; font: 7.5pt sans-serif; } }
`
)

const htmlText = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="{{.Policy}}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{.Title}}</title>
{{template "style" .Foot}}
</head>
<body{{if .Wide}} class="wide"{{end}}>
<header>
<h1>{{.Title}}</h1>
{{if .Subtitle}}<p class="subtitle">{{.Subtitle}}</p>
{{end}}{{template "facts" .Head}}</header>
{{if .Caution}}<section class="caution">
<h2>Caution</h2>
{{range .Caution}}<p class="{{.Class}}">{{.Text}}</p>
{{end}}</section>
{{end}}<main>
{{range .Blocks}}{{template "block" .}}{{end}}</main>
</body>
</html>
{{define "style"}}<style>` + htmlStyle + htmlFootStart + `{{.}}` + htmlFootEnd + `</style>{{end}}
{{define "facts"}}{{if .}}<dl>
{{range .}}<dt>{{.Name}}</dt><dd{{if .Mono}} class="mono"{{end}}>{{.Value}}</dd>
{{end}}</dl>
{{end}}{{end}}
{{define "block"}}{{if eq .Kind "heading"}}{{if eq .Level 1}}<h2>{{.Text}}</h2>{{else if eq .Level 2}}<h3>{{.Text}}</h3>{{else}}<h4>{{.Text}}</h4>{{end}}
{{else if eq .Kind "paragraph"}}{{range .Lines}}<p class="{{.Class}}">{{.Text}}</p>
{{end}}{{else if eq .Kind "table"}}{{template "table" .}}
{{else if eq .Kind "facts"}}{{template "facts" .Facts}}{{else if eq .Kind "verbatim"}}<pre>
{{.Text}}</pre>
{{else if eq .Kind "picture"}}<figure>
<div class="beside">
<svg role="img" width="{{.Picture.Width}}pt" height="{{.Picture.Height}}pt" viewBox="0 0 {{.Picture.Width}} {{.Picture.Height}}" font-family="sans-serif">
<title>{{.Picture.Title}}</title>
{{- template "shapes" .Picture}}</svg>
{{template "facts" .Facts}}</div>
<figcaption>{{.Picture.Title}}</figcaption>
</figure>
{{else if eq .Kind "signatures"}}{{range .Signed}}<div class="sign">
{{range .}}<div><b>{{.Value}}</b>{{.Name}}</div>
{{end}}</div>
{{end}}{{else}}<div class="break"></div>
{{end}}{{end}}
{{define "table"}}<table{{if .Plain}} class="plain"{{end}}>
{{if .Text}}<caption>{{.Text}}</caption>
{{end}}<colgroup>{{range .Columns}}<col{{if .Width}} class="{{.Width}}"{{end}}>{{end}}</colgroup>
<thead><tr>{{range .Columns}}<th scope="col" class="{{.Class}}">{{.Head}}</th>{{end}}</tr></thead>
<tbody>
{{range .Rows}}<tr>{{range .}}<td class="{{.Class}}">{{.Text}}{{if .Pad}}<span class="pad">{{.Pad}}</span>{{end}}</td>{{end}}</tr>
{{end}}</tbody>
<tfoot><tr>{{range .Columns}}<td></td>{{end}}</tr></tfoot>
</table>{{end}}
`
