#!/bin/sh
# A gate for a build script that has curl and nothing else:
#   CONDYLE=http://127.0.0.1:4791 deploy/gate/submit.sh tidepool-post stilt-heron v012 heron.glb
# With CONDYLE_TOKEN_FILE naming a file that holds a token (scopes submit and read), sends it: curl reads it from its
# standard input, so that no list of processes shows it.
# Prints the report; exit 0: no error, 1: the verdict is fail, 2: broken input or usage, 3: not reachable or busy.
set -u
if [ $# -ne 4 ]; then
    echo "usage: $0 PRODUCTION ASSET LABEL FILE" >&2
    exit 2
fi
header() {
    [ -z "${CONDYLE_TOKEN_FILE:-}" ] || printf 'header = "Authorization: Bearer %s"\n' "$(cat "$CONDYLE_TOKEN_FILE")"
}
url="${CONDYLE:-http://127.0.0.1:4791}/v1/assets/$1/$2/revisions/$3"
answer=$(mktemp) || exit 3
trap 'rm -f "$answer"' EXIT
# 503 comes with Retry-After, which curl obeys; a repeated submission of the same bytes changes nothing.
status=$(header | curl --config - --silent --show-error --retry 5 --output "$answer" --write-out '%{http_code}' --upload-file "$4" "$url")
case "$status" in
200 | 201) ;;
4*) cat "$answer" >&2; echo >&2; exit 2 ;;
*) cat "$answer" >&2; echo >&2; exit 3 ;;
esac
header | curl --config - --silent --show-error --fail --header 'Accept: text/plain' "$url/report" || exit 3
case "$(cat "$answer")" in
*'"verdict":"fail"'*) exit 1 ;;
esac
exit 0
