package edge

import "net/http"

// What every answer says to a browser. Nothing that is served here is a page, so
// nothing in it may run, be framed, be guessed to be of another type, or tell
// another site where it was linked from.
// The slices are shared and never changed; http.Header replaces and copies.
var (
	noSniff         = []string{"nosniff"}
	noStore         = []string{"no-store"}
	contentSecurity = []string{"default-src 'none'; frame-ancestors 'none'"}
	noReferrer      = []string{"no-referrer"}
	// transportSecurity lasts a year (RFC 6797). Other names of the same domain
	// are not ours to speak for.
	transportSecurity = []string{"max-age=31536000"}
)

// Harden adds the headers to every answer of a handler. The handler may set
// another Cache-Control for what holds no patient data.
func Harden(next http.Handler, proxies Proxies) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		h := w.Header()
		h["X-Content-Type-Options"], h["Cache-Control"] = noSniff, noStore
		h["Content-Security-Policy"], h["Referrer-Policy"] = contentSecurity, noReferrer
		if proxies.Encrypted(request) {
			h["Strict-Transport-Security"] = transportSecurity
		}
		next.ServeHTTP(w, request)
	})
}
