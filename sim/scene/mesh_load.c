// SPDX-License-Identifier: Apache-2.0
// Mesh files through Assimp, limited to OBJ, PLY, STL and glTF. Only what light needs is kept: places, texture
// coordinates, triangles, and which material each has. The importer's own test of tiny triangles stays off: it would
// take those of a square millimetre away.
#include <assert.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <assimp/cimport.h>
#include <assimp/config.h>
#include <assimp/postprocess.h>
#include <assimp/scene.h>

#include "scene/mesh_file.h"
#include "scene/shape.h"

#define COORDINATE_MOST_M 1e6
#define POLYGON_MOST 65536  // corners of one face

// The importer's message without line ends or other control characters.
typedef struct message { char text[256]; } message;
static message one_line(const char *text)
{
    message m = {""};
    for (size_t i = 0; text && text[i] && i + 1 < sizeof m.text; ++i)
        m.text[i] = (unsigned char)text[i] < ' ' ? ' ' : text[i];
    return m;
}

// Faces and corners as read: what later steps of the importer take for granted, and stop the program over.
static lr_status check_raw(const struct aiScene *scene, const char *path, lr_error *err)
{
    if (!scene->mRootNode || scene->mNumMeshes == 0)
        return lr_fail(err, LR_ERR_PARSE, "%s: no triangles in it", path);
    for (unsigned i = 0; i < scene->mNumMeshes; ++i) {
        const struct aiMesh *part = scene->mMeshes[i];
        for (unsigned k = 0; k < part->mNumVertices; ++k) {
            const struct aiVector3D v = part->mVertices[k];
            if (!(isfinite(v.x) && isfinite(v.y) && isfinite(v.z)))
                return lr_fail(err, LR_ERR_PARSE, "%s: corner %u is (%g, %g, %g), not finite", path, k, (double)v.x, (double)v.y, (double)v.z);
        }
        for (unsigned k = 0; k < part->mNumFaces; ++k) {
            const struct aiFace *f = &part->mFaces[k];
            if (f->mNumIndices < 1 || f->mNumIndices > POLYGON_MOST)
                return lr_fail(err, LR_ERR_PARSE, "%s: face %u has %u corners, not 1 to %d", path, k, f->mNumIndices, POLYGON_MOST);
            for (unsigned j = 0; j < f->mNumIndices; ++j)
                if (f->mIndices[j] >= part->mNumVertices)
                    return lr_fail(err, LR_ERR_PARSE, "%s: face %u: corner %u of %u does not exist", path, k, f->mIndices[j], part->mNumVertices);
        }
    }
    return LR_OK;
}

// Reads first and looks before anything else is done with it. `*out` is to be released by the caller.
static lr_status import(const char *path, const struct aiScene **out, lr_error *err)
{
    struct aiPropertyStore *store = aiCreatePropertyStore();
    *out = NULL;
    if (!store)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    aiSetImportPropertyInteger(store, AI_CONFIG_PP_RVC_FLAGS, (int)(aiComponent_NORMALS | aiComponent_TANGENTS_AND_BITANGENTS | aiComponent_COLORS |
                               aiComponent_BONEWEIGHTS | aiComponent_ANIMATIONS | aiComponent_TEXTURES | aiComponent_LIGHTS | aiComponent_CAMERAS));
    const struct aiScene *raw = aiImportFileExWithProperties(path, aiProcess_ValidateDataStructure, NULL, store);
    aiReleasePropertyStore(store);
    if (!raw)
        return lr_fail(err, LR_ERR_PARSE, "%s: not a mesh that can be read: %.200s", path, one_line(aiGetErrorString()).text);
    const lr_status status = check_raw(raw, path, err);
    if (status != LR_OK) {
        aiReleaseImport(raw);
        return status;
    }
    const unsigned steps = aiProcess_RemoveComponent | aiProcess_Triangulate | aiProcess_PreTransformVertices | aiProcess_JoinIdenticalVertices;
    *out = aiApplyPostProcessing(raw, steps);  // releases it on failure
    return *out ? LR_OK : lr_fail(err, LR_ERR_PARSE, "%s: not a mesh that can be used: %.200s", path, one_line(aiGetErrorString()).text);
}

// Slot of each of the file's materials that a mesh uses, -1 for the others; returns how many slots.
static int number_slots(const struct aiScene *scene, int *slot_of)
{
    int count = 0;
    for (unsigned i = 0; i < scene->mNumMaterials; ++i)
        slot_of[i] = -1;
    for (unsigned i = 0; i < scene->mNumMeshes; ++i) {
        const unsigned m = scene->mMeshes[i]->mMaterialIndex;
        if (m < scene->mNumMaterials && slot_of[m] < 0)
            slot_of[m] = count++;
    }
    return count > 0 ? count : 1;
}

static void name_slots(const struct aiScene *scene, const int *slot_of, char (*names)[64])
{
    for (unsigned i = 0; i < scene->mNumMaterials; ++i) {
        struct aiString name;
        if (slot_of[i] >= 0 && aiGetMaterialString(scene->mMaterials[i], AI_MATKEY_NAME, &name) == aiReturn_SUCCESS)
            snprintf(names[slot_of[i]], sizeof names[0], "%.63s", name.data);
    }
}

static lr_status reserve(const struct aiScene *scene, const char *path, lr_mesh *mesh, lr_error *err)
{
    size_t vertices = 0, triangles = 0;
    int has_uv = 1;
    for (unsigned i = 0; i < scene->mNumMeshes; ++i) {
        const struct aiMesh *part = scene->mMeshes[i];
        vertices += part->mNumVertices;
        triangles += part->mNumFaces;
        has_uv &= part->mTextureCoords[0] != NULL;
    }
    if (vertices == 0 || triangles == 0)
        return lr_fail(err, LR_ERR_PARSE, "%s: no triangles in it", path);
    if (vertices > INT32_MAX/4 || triangles > INT32_MAX/4)
        return lr_fail(err, LR_ERR_RANGE, "%s: %zu corners and %zu faces are too many", path, vertices, triangles);
    mesh->position = malloc(vertices*sizeof *mesh->position);
    mesh->uv = has_uv ? malloc(vertices*sizeof *mesh->uv) : NULL;
    mesh->triangle = malloc(triangles*sizeof *mesh->triangle);
    mesh->slot = malloc(triangles*sizeof *mesh->slot);
    if (!mesh->position || (has_uv && !mesh->uv) || !mesh->triangle || !mesh->slot)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    return LR_OK;
}

static lr_status add_vertices(const struct aiMesh *part, const char *path, double scale, int z_up, lr_mesh *mesh, lr_error *err)
{
    for (unsigned i = 0; i < part->mNumVertices; ++i) {
        const struct aiVector3D v = part->mVertices[i];
        const double x = scale*(double)v.x, y = scale*(double)v.y, z = scale*(double)v.z;
        if (!(fabs(x) <= COORDINATE_MOST_M && fabs(y) <= COORDINATE_MOST_M && fabs(z) <= COORDINATE_MOST_M))
            return lr_fail(err, LR_ERR_PARSE, "%s: corner %u is (%g, %g, %g) m, not within 1e+06 m", path, i, x, y, z);
        float *p = mesh->position[mesh->vertex_count];
        p[0] = (float)x;
        p[1] = (float)(z_up ? y : -z);
        p[2] = (float)(z_up ? z : y);
        if (mesh->uv) {
            const struct aiVector3D t = part->mTextureCoords[0][i];
            const int fine = fabs((double)t.x) <= 1e6 && fabs((double)t.y) <= 1e6;
            mesh->uv[mesh->vertex_count][0] = fine ? t.x : 0.0f;
            mesh->uv[mesh->vertex_count][1] = fine ? t.y : 0.0f;
        }
        ++mesh->vertex_count;
    }
    return LR_OK;
}

static int has_area(const lr_mesh *mesh, const uint32_t t[3])
{
    lr_vec3 p[3];
    for (int k = 0; k < 3; ++k)
        p[k] = lr_v3((double)mesh->position[t[k]][0], (double)mesh->position[t[k]][1], (double)mesh->position[t[k]][2]);
    return lr_length(lr_cross(lr_sub(p[1], p[0]), lr_sub(p[2], p[0]))) > 0.0;
}

static lr_status add_faces(const struct aiMesh *part, const char *path, uint32_t base, int slot, lr_mesh *mesh, lr_error *err)
{
    for (unsigned i = 0; i < part->mNumFaces; ++i) {
        const struct aiFace *f = &part->mFaces[i];
        if (f->mNumIndices != 3)
            continue;  // points and lines have no surface
        uint32_t *t = mesh->triangle[mesh->triangle_count];
        for (int k = 0; k < 3; ++k) {
            if (f->mIndices[k] >= part->mNumVertices)
                return lr_fail(err, LR_ERR_PARSE, "%s: face %u: corner %u of %u does not exist", path, i, f->mIndices[k], part->mNumVertices);
            t[k] = base + f->mIndices[k];
        }
        if (has_area(mesh, t))
            mesh->slot[mesh->triangle_count++] = (uint16_t)slot;
    }
    return LR_OK;
}

static lr_status convert(const struct aiScene *scene, const char *path, double scale, int z_up, lr_mesh *mesh, char (**names)[64], lr_error *err)
{
    int *slot_of = malloc((scene->mNumMaterials + 1)*sizeof *slot_of);
    if (!slot_of)
        return lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    mesh->slot_count = number_slots(scene, slot_of);
    lr_status status = LR_OK;
    *names = calloc((size_t)mesh->slot_count, sizeof **names);
    if (!*names)
        status = lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    else if (mesh->slot_count > UINT16_MAX)
        status = lr_fail(err, LR_ERR_RANGE, "%s: %d materials are above %d", path, mesh->slot_count, UINT16_MAX);
    else {
        name_slots(scene, slot_of, *names);
        status = reserve(scene, path, mesh, err);
    }
    for (unsigned i = 0; status == LR_OK && i < scene->mNumMeshes; ++i) {
        const struct aiMesh *part = scene->mMeshes[i];
        const uint32_t base = (uint32_t)mesh->vertex_count;
        const int slot = part->mMaterialIndex < scene->mNumMaterials ? slot_of[part->mMaterialIndex] : 0;
        status = add_vertices(part, path, scale, z_up, mesh, err);
        if (status == LR_OK)
            status = add_faces(part, path, base, slot, mesh, err);
    }
    if (status == LR_OK && mesh->triangle_count == 0)
        status = lr_fail(err, LR_ERR_PARSE, "%s: no triangle in it has an area", path);
    free(slot_of);
    return status;
}

lr_status lr_mesh_load(const char *path, double scale, int z_up, lr_mesh **out, char (**slot_names)[64], lr_error *err)
{
    assert(path && out && slot_names);
    *out = NULL;
    *slot_names = NULL;
    if (!(scale > 0.0 && scale <= 1e6))
        return lr_fail(err, LR_ERR_RANGE, "scale: %g is not in (0, 1e+06]", scale);
    LR_TRY(lr_mesh_file_check(path, err));
    const struct aiScene *scene;
    LR_TRY(import(path, &scene, err));
    lr_mesh *mesh = calloc(1, sizeof *mesh);
    const lr_status status = mesh ? convert(scene, path, scale, z_up, mesh, slot_names, err)
                                  : lr_fail(err, LR_ERR_MEMORY, "%s: out of memory", path);
    aiReleaseImport(scene);
    if (status != LR_OK) {
        lr_mesh_destroy(mesh);
        free(*slot_names);
        *slot_names = NULL;
        return status;
    }
    *out = mesh;
    return LR_OK;
}
