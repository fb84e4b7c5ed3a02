/* Starts the Python of python312.dll beside it. Under another name than python.exe it does what an
   installed script does, which leaves the suffix out of its own name. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <wchar.h>
#include <windows.h>

typedef int (*python_main)(int, wchar_t **);

int wmain(int count, wchar_t **words)
{
    wchar_t path[MAX_PATH], name[MAX_PATH];
    wchar_t **all = calloc(count + 3, sizeof *all);
    int given = 0;

    GetModuleFileNameW(NULL, path, MAX_PATH);
    wcscpy(name, wcsrchr(path, L'\\') + 1);
    *wcsrchr(name, L'.') = 0;
    all[given++] = path;
    if (_wcsicmp(name, L"python")) {
        all[given++] = L"-c";
        all[given++] = L"import sys; sys.argv[0] = sys.executable[:-4];"
                       L"from flangeback.cli import main; main()";
    }
    for (int word = 1; word < count; word++)
        all[given++] = words[word];
    HMODULE library = LoadLibraryW(L"python312.dll");
    if (!library) {
        fputs("python312.dll can't be loaded\n", stderr);
        return 103;
    }
    return ((python_main)(void *)GetProcAddress(library, "Py_Main"))(given, all);
}
