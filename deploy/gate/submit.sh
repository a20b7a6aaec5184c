#!/bin/sh
# A gate for a build script that has curl and nothing else:
#   CONDYLE=http://127.0.0.1:4791 deploy/gate/submit.sh tidepool-post stilt-heron v012 heron.glb
# Prints the report; exit 0: no error, 1: the verdict is fail, 2: broken input or usage, 3: not reachable or busy.
set -u
if [ $# -ne 4 ]; then
    echo "usage: $0 PRODUCTION ASSET LABEL FILE" >&2
    exit 2
fi
url="${CONDYLE:-http://127.0.0.1:4791}/v1/assets/$1/$2/revisions/$3"
answer=$(mktemp) || exit 3
trap 'rm -f "$answer"' EXIT
# 503 comes with Retry-After, which curl obeys; a repeated submission of the same bytes changes nothing.
status=$(curl --silent --show-error --retry 5 --output "$answer" --write-out '%{http_code}' --upload-file "$4" "$url")
case "$status" in
200 | 201) ;;
4*) cat "$answer" >&2; echo >&2; exit 2 ;;
*) cat "$answer" >&2; echo >&2; exit 3 ;;
esac
curl --silent --show-error --fail --header 'Accept: text/plain' "$url/report" || exit 3
case "$(cat "$answer")" in
*'"verdict":"fail"'*) exit 1 ;;
esac
exit 0
