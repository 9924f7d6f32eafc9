# Completion of sumpwarden for bash: commands and options as the program itself lists them in its help.

_sumpwarden() {
    local IFS=$'\n' word=${COMP_WORDS[COMP_CWORD]} before=${COMP_WORDS[COMP_CWORD - 1]} words
    case $before in
    -c | --config | --store-at | --input | --output | --from | --file)
        COMPREPLY=($(compgen -f -- "$word"))
        return
        ;;
    esac
    if [ "$COMP_CWORD" = 1 ]; then
        words=$(sumpwarden --help 2>/dev/null | sed -n '/^Commands:/,/^$/s/^  \([a-z-]*\) .*/\1/p')
    else
        words=$(sumpwarden "${COMP_WORDS[1]}" --help 2>/dev/null | grep -oE '(^|[ ,])--[a-z0-9-]+' | tr -d ' ,')
    fi
    COMPREPLY=($(compgen -W "$words" -- "$word"))
}
complete -o filenames -F _sumpwarden sumpwarden
